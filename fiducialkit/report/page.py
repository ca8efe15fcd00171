"""Pages as one HTML text with everything inside: no other file, no network."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from typing import Any

import jinja2


def rendered(template: str, filters: Mapping[str, Callable[..., Any]], **values: Any) -> str:
    """Return a page; a value that its template names and nobody gave is an error."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("fiducialkit", "report/templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters.update(filters)
    return environment.get_template(template).render(**values)


def picture_address(png: bytes) -> str:
    """Return a PNG as an address that holds the picture itself."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")

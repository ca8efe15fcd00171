"""The order of the rooms and of the modules in each room, held as one list.

A module imports what stands before it here, and nothing that stands after it, neither at its head nor inside a
function. A new module gets its line after everything it imports.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import fiducialkit

PACKAGE = Path(fiducialkit.__file__).parent

# "" is the root of the package. Modules named here need not exist yet.
ORDER: dict[str, tuple[str, ...]] = {
    "": ("errors", "arrays", "compiled", "small_matrices", "tables", "files", "statistics", "parallel"),
    "scene": (
        "transforms",
        "file_keys",
        "projection",
        "camera",
        "camera_file",
        "markers",
        "boards",
        "board_file",
        "field",
        "field_file",
        "robot",
        "robot_file",
        "occlusion",
    ),
    "imaging": (
        "opencv",
        "images",
        "observations",
        "corner_noise",
        "kernels",
        "selection_kernels",
        "fit_kernels",
        "lens_patch",
        "corner_bound",
        "covered_sides",
        "refinement",
        "saddle_kernels",
        "boards",
        "detector_settings",
        "square_kernels",
        "decoding_kernels",
        "squares",
        "cell_mixing",
        "decoding",
        "reading",
        "subpixel",
        "surroundings",
        "sharpness",
        "codes_without_margin",
        "explanation",
        "detection",
        "noise",
        "optical_blur",
        "backgrounds",
        "rendering_settings",
        "rendering_kernels",
        "rendering_cuts",
        "rendering_bodies",
        "rendering_times",
        "rendering_layers",
        "rendering",
        "rendering_boards",
    ),
    "records": (),
    "solving": (
        "kernels",
        "planar",
        "light_kernels",
        "search_kernels",
        "misfit_kernels",
        "frame_kernels",
        "considered_kernels",
        "tilt_kernels",
        "region_kernels",
        "posterior_kernels",
        "moment_kernels",
        "priors",
        "considered",
        "rig",
        "selection",
        "pose_result",
        "pose",
        "pose_log",
        "uncertainty",
        "scale",
        "adjustment_poses",
        "adjustment_problem",
        "adjustment_kernels",
        "adjustment_equations",
        "adjustment_rank",
        "adjustment_result",
        "adjustment",
        "adjustment_derivatives",
        "adjustment_views",
        "intrinsics_start",
        "intrinsics_fit",
        "intrinsics_flips",
        "intrinsics_agreement",
        "intrinsics_result",
        "intrinsics_bootstrap",
        "intrinsics_views",
        "intrinsics_models",
        "intrinsics_cleaning",
        "intrinsics_verdict",
        "intrinsics",
        "capture_guide",
    ),
    "planning": (
        "study",
        "study_file",
        "kernels",
        "detector_tables",
        "robot_detector",
        "detectability",
        "corner_errors",
        "sight_kernels",
        "edge_kernels",
        "information_kernels",
        "gain_kernels",
        "rig_kernels",
        "scenery",
        "mount_information",
        "prediction",
        "arrival",
        "coverage",
        "sightings",
        "mount_tables",
        "verdict",
        "picture_model",
        "budget_tables",
        "budget_words",
        "off_centre",
        "sensitivity",
        "approach_tables",
        "filter_steps",
        "approach_filter",
        "filtered_budget",
        "error_budget",
        "rig_differences",
        "mount_study",
        "search_kernels",
        "mount_boxes",
        "rig_sums",
        "rig_enumeration",
        "mount_polishing",
        "search_judgement",
        "mount_search",
        "rendered_tables",
        "rendered_check",
        "lens_choice",
    ),
    "evaluation": (),
    "plots": (
        "style",
        "field_view",
        "robot_view",
        "camera_view",
        "coverage_view",
        "node_view",
        "lens_view",
        "rendered_view",
        "search_view",
        "lens_choice_view",
        "budget_view",
        "mount_card",
        "sheets",
    ),
    "report": (
        "page",
        "comparison_page",
        "budget_page",
        "mount_card",
        "explorer_drawing",
        "mount_explorer",
        "robot_text",
        "search_page",
        "board_print",
        "lens_page",
    ),
    "cli": (),  # commands stand in no line; that --help stays light is held by test_public_names.py
}
COMPUTING = ("", "scene", "imaging", "records", "solving", "planning", "evaluation")


def module_names() -> dict[str, str]:
    """Return the source of every module by its dotted name."""
    sources = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        sources[".".join(parts)] = path.read_text(encoding="utf-8")
    return sources


def imports(source: str) -> Iterator[tuple[str, int]]:
    """Yield (dotted name, line) of everything imported anywhere in the source, names included."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                yield "." * node.level + ".".join(filter(None, (node.module, alias.name))), node.lineno


def place(module: str) -> tuple[int, int] | None:
    """Return (number of the room, number in the room), or None for what the list does not hold."""
    _, *rest = module.split(".")
    room, name = (rest[0], ".".join(rest[1:])) if len(rest) > 1 else ("", rest[0] if rest else "")
    if room == "cli":
        return list(ORDER).index(room), 0
    if room not in ORDER or name not in ORDER[room]:
        return None
    return list(ORDER).index(room), ORDER[room].index(name)


def imported_module(name: str, known: set[str]) -> str:
    """Return the module that a dotted name is, or is in."""
    while name not in known and "." in name:
        name = name.rpartition(".")[0]
    return name


def faults(sources: dict[str, str]) -> list[str]:
    """Return one line for each import that goes against the list."""
    found = []
    for module, source in sources.items():
        if module == "fiducialkit.__init__":
            found += [f"{module}:{line} imports {name}" for name, line in imports(source) if "fiducialkit" in name]
            continue
        if module == "fiducialkit.__main__":
            continue
        if module.endswith(".__init__"):
            found += [f"{module}:{line}: a room's __init__ imports nothing" for _, line in imports(source)]
            continue
        if place(module) is None:
            found.append(f"{module} has no place in ORDER (tests/test_import_order.py): put it after all it imports")
            continue
        for name, line in imports(source):
            reason = fault(module, name, set(sources))
            if reason:
                found.append(f"{module}:{line} imports {name}: {reason}")
    return found


def fault(module: str, name: str, known: set[str]) -> str:
    """Return why `module` must not import `name`, or nothing."""
    room = module.split(".")[1] if module.count(".") > 1 else ""
    top = name.split(".")[0]
    if name.startswith("."):
        return "write the whole name"
    if name.startswith("matplotlib.pyplot") or name.split(".")[-1] in ("pyplot", "pylab"):
        return "it keeps figures open behind the caller's back; use matplotlib.figure"
    if top in ("pickle", "shelve", "marshal", "dill"):
        return "such files run code when read"
    if room in COMPUTING and top in ("matplotlib", "typer", "rich", "jinja2"):
        return "results carry no plotting and no console"
    if top != "fiducialkit":
        return ""
    target = imported_module(name, known)
    if target == "fiducialkit":
        return "" if name in ("fiducialkit", "fiducialkit.__version__") else "there is no such module in the package"
    if room == "cli":
        return ""
    if name.rpartition(".")[2].startswith("_") and name != target:
        return "private names stay in their module"
    here, there = place(module), place(target)
    if here is None or there is None:
        return "has no place in ORDER (tests/test_import_order.py)"
    return "" if there < here else "it stands later in ORDER (tests/test_import_order.py)"


def test_every_import_follows_the_list() -> None:
    assert faults(module_names()) == []


def test_the_list_names_each_module_once() -> None:
    for room, names in ORDER.items():
        assert len(set(names)) == len(names), room


GOOD = {
    "fiducialkit.errors": "",
    "fiducialkit.arrays": "import numpy\nfrom fiducialkit.errors import InputError\n",
    "fiducialkit.scene.transforms": "from fiducialkit.arrays import checked_array\n",
    "fiducialkit.scene.camera": "from fiducialkit.scene import transforms\n",
    "fiducialkit.plots.style": "from matplotlib.figure import Figure\nimport fiducialkit.scene.camera\n",
    "fiducialkit.cli.show": "def show():\n    import numpy\n    from fiducialkit.plots.style import colours\n",
    "fiducialkit.cli.main": "import fiducialkit\nfrom fiducialkit.cli.show import show\n",
}


def test_a_good_package_passes() -> None:
    assert faults(GOOD) == []


@pytest.mark.parametrize(
    ("module", "source", "reason"),
    [
        ("fiducialkit.arrays", "from fiducialkit.scene import camera", "stands later"),
        ("fiducialkit.arrays", "def f():\n    from fiducialkit.scene.camera import Camera", "stands later"),
        ("fiducialkit.arrays", "class A:\n    import fiducialkit.scene.camera", "stands later"),
        ("fiducialkit.scene.transforms", "from fiducialkit.scene.camera import Camera", "stands later"),
        ("fiducialkit.scene.camera", "from fiducialkit.scene.camera import Camera", "stands later"),
        ("fiducialkit.scene.camera", "from fiducialkit.cli.main import main", "stands later"),
        ("fiducialkit.scene.camera", "from fiducialkit import Camera", "no such module"),
        ("fiducialkit.scene.camera", "from .transforms import parts", "whole name"),
        ("fiducialkit.scene.camera", "from fiducialkit.arrays import _fits", "private"),
        ("fiducialkit.scene.camera", "import matplotlib", "no plotting"),
        ("fiducialkit.scene.camera", "def f():\n    from matplotlib.figure import Figure", "no plotting"),
        ("fiducialkit.plots.style", "import matplotlib.pyplot as plt", "keeps figures open"),
        ("fiducialkit.plots.style", "from matplotlib import pyplot", "keeps figures open"),
        ("fiducialkit.scene.camera", "import pickle", "run code"),
        ("fiducialkit.scene.new_thing", "", "has no place in ORDER"),
        ("fiducialkit.elsewhere.thing", "", "has no place in ORDER"),
        ("fiducialkit.scene.__init__", "from fiducialkit.errors import InputError", "__init__ imports nothing"),
        ("fiducialkit.__init__", "from fiducialkit.errors import InputError", "imports fiducialkit.errors"),
        ("fiducialkit.scene.camera", "from fiducialkit.scene.lenses import Lens", "no such module"),
        ("fiducialkit.cli.show", "from matplotlib import pyplot", "keeps figures open"),
    ],
)
def test_each_kind_of_fault_is_caught(module: str, source: str, reason: str) -> None:
    found = faults(GOOD | {module: source})
    assert len(found) == 1
    assert reason in found[0]


def test_kernels_take_from_the_package_only_what_their_cache_watches() -> None:
    # the cache folder is named after the sources that hold kernels: a number imported from elsewhere and edited there
    # would live on in it
    sources = module_names()
    marker = "from fiducialkit.compiled import kernel"
    with_kernels = {name for name, source in sources.items() if f"\n{marker}\n" in source}
    allowed = with_kernels | {"fiducialkit.compiled", "fiducialkit.arrays", "fiducialkit.errors"}
    assert len(with_kernels) >= 4
    for module in sorted(with_kernels):
        targets = {imported_module(name, set(sources)) for name, _ in imports(sources[module]) if "fiducialkit" in name}
        assert targets <= allowed, module


def calls(source: str) -> Iterator[tuple[str, int]]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func), node.lineno


def test_nothing_opens_a_window_runs_text_or_asserts_on_input() -> None:
    # A44: a window call without a display ends the whole process, and nothing can catch that
    forbidden = {"cv2.imshow", "cv2.waitKey", "cv2.namedWindow", "cv2.destroyAllWindows", "plt.show", "eval", "exec"}
    found = []
    for module, source in module_names().items():
        found += [f"{module}:{line} calls {name}" for name, line in calls(source) if name in forbidden]
        found += [f"{module}:{n.lineno} asserts" for n in ast.walk(ast.parse(source)) if isinstance(n, ast.Assert)]
        if not module.startswith("fiducialkit.cli."):
            found += [f"{module}:{line} prints" for name, line in calls(source) if name == "print"]
    assert found == []

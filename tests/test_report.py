"""The comparison's page and the files beside it: complete, self-contained, safe, whole or not at all."""

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest
from scene_cases import RIGS, hand_made_comparison, maps_table, rig_table

from fiducialkit import InputError, files
from fiducialkit.planning.mount_tables import RIGS as RIG_TABLE
from fiducialkit.planning.verdict import CAUTION
from fiducialkit.report.comparison_page import (
    centimetres,
    comparison_pictures,
    degrees,
    percent,
    plain_name,
    render_page,
    robot_picture_name,
    tied,
    worst_cases,
    write_comparison_page,
)

DOT = base64.b64decode("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGP4DwABAQEAG7buVgAAAABJRU5ErkJggg==")


class Page(HTMLParser):
    """Collects what a page holds."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "br", "link"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, data):
        if not self.open or self.open[-1] != "style":
            self.words += " " + " ".join(data.split())


def page_of(comparison) -> str:
    """Return the page with one dot for each picture: the words are what is looked at here."""
    rigs = comparison.table["rig"]
    names = ["chance_to_score.png", "error_near_nodes.png", "coverage_one_marker.png", "coverage_two_markers.png"]
    names += [robot_picture_name(rank, rig) for rank, rig in enumerate(rigs, start=1)]
    return render_page(comparison, dict.fromkeys([*names, "field.png"], DOT))


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("caf\u00e9 r\u00e9sultats") / "new one"
    return folder, write_comparison_page(hand_made_comparison(), folder)


def test_every_file_is_written_and_named(written):
    folder, paths = written
    names = [path.name for path in paths]
    assert names[:4] == ["rigs.csv", "by_node.csv", "by_approach.csv", "maps.csv"]
    assert names[-1] == "comparison.html"
    assert "robot_1_two_low_turned_out.png" in names and "robot_2_one_high.png" in names
    assert sorted(path.name for path in folder.iterdir()) == sorted(names)  # and nothing besides, no leftovers


def test_tables_read_back_as_they_were(written):
    folder, _ = written
    comparison = hand_made_comparison()
    for name, table in (("rigs", comparison.table), ("by_node", comparison.by_node), ("maps", comparison.maps)):
        pd.testing.assert_frame_equal(files.read_csv(folder / f"{name}.csv"), table, check_dtype=False, rtol=1e-8)


def test_page_needs_nothing_from_elsewhere(written):
    folder, paths = written
    text = (folder / "comparison.html").read_text(encoding="utf-8")
    page = Page(text)
    assert not page.open  # every tag is closed
    assert not [tag for tag, _ in page.tags if tag in ("script", "link", "iframe", "object")]
    assert not re.search(r"url\(|@import|https?://", text)
    pictures = [attributes for tag, attributes in page.tags if tag == "img"]
    stored = sorted((path.read_bytes() for path in paths if path.suffix == ".png"), key=len)
    inside = sorted((base64.b64decode(str(p["src"]).partition("base64,")[2]) for p in pictures), key=len)
    assert inside == stored  # the same pictures as beside it
    assert all(picture["alt"] for picture in pictures)


def test_verdict_comes_first_then_the_ranked_table_with_the_reasons():
    comparison = hand_made_comparison()
    words = Page(page_of(comparison)).words
    order = [
        comparison.verdict,
        "The rigs, best first",
        "reason of rank 1",
        "reason of rank 2",
        "Node by node",
        "On the way to the nodes",
        "Over the whole floor",
        "The rigs on the robot",
        "What these numbers rest on",
        "Mounts within 3 mm.",
        CAUTION,
    ]
    places = [words.index(part) for part in order]
    assert places == sorted(places)
    assert "stock sub-pixel corners, 0.2 px" in words
    assert words.count(CAUTION) == 1


def test_numbers_are_shown_in_plain_units():
    words = Page(page_of(hand_made_comparison())).words
    for shown in ("80 %", "85 %", "1.2 cm", "2.4 cm", "0.9 deg"):
        assert shown in words
    assert "worst chance" in words and "95 % error at the node" in words


def test_names_cannot_become_markup():
    rigs = rig_table().assign(rig=["<script>alert(1)</script>", "a & b"], reason=['"><img src=x>', "<b>bold</b>"])
    comparison = hand_made_comparison(table=RIG_TABLE.checked(rigs), verdict="<h1>won</h1>")
    page = Page(page_of(comparison))
    assert not [tag for tag, _ in page.tags if tag in ("script", "b")]
    assert all(str(attributes["src"]).startswith("data:") for tag, attributes in page.tags if tag == "img")
    assert "<script>alert(1)</script>" in page.words and "<h1>won</h1>" in page.words


def test_best_rig_is_explained_in_its_worst_state_at_each_node():
    cases = worst_cases(hand_made_comparison(), RIGS[0])
    assert [(case["node"], case["side"]) for case in cases] == [
        ("oven 1", "front"),
        ("oven 1", "back"),
        ("shelf", "front"),
        ("shelf", "back"),
    ]
    assert {case["state"] for case in cases} == {"arm raised"}


def test_states_that_tie_but_for_the_last_digits_are_told_in_their_own_order():
    """Where two states see alike their chances differ by rounding; the state named must not hang on that."""
    comparison = hand_made_comparison()
    tied = comparison.by_node.assign(chance_to_score=0.5)
    first = [row["state"] for row in worst_cases(replace(comparison, by_node=tied), RIGS[0])]
    tied.loc[tied.index[1::2], "chance_to_score"] -= 1e-13
    assert [row["state"] for row in worst_cases(replace(comparison, by_node=tied), RIGS[0])] == first


def test_a_folder_that_cannot_be_is_refused_and_left_alone(tmp_path):
    in_the_way = tmp_path / "taken"
    in_the_way.write_text("mine")
    with pytest.raises(InputError, match="expected a folder for the results, found a file"):
        write_comparison_page(hand_made_comparison(), in_the_way)
    assert in_the_way.read_text() == "mine"


def test_an_error_while_drawing_leaves_no_folder(tmp_path):
    maps = maps_table()
    comparison = hand_made_comparison(maps=maps[maps["rig"] == RIGS[0]])
    with pytest.raises(InputError, match="rig: expected one of the map's rigs"):
        write_comparison_page(comparison, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_one_rig_and_one_node_still_make_a_page():
    comparison = hand_made_comparison()
    one = {
        name: getattr(comparison, name)[lambda t: t["rig"] == RIGS[0]]
        for name in ("table", "by_node", "by_approach", "maps")
    }
    one["by_node"] = one["by_node"][one["by_node"]["node"] == "shelf"]
    one["by_approach"] = one["by_approach"][one["by_approach"]["node"] == "shelf"]
    pictures = comparison_pictures(hand_made_comparison(**one))
    assert [name for name in pictures if name.startswith("robot_")] == ["robot_1_two_low_turned_out.png"]


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 %"),
        (0.004, "<1 %"),  # small is not never
        (0.5, "50 %"),
        (0.994, "99 %"),
        (0.9961, "99.6 %"),
        (0.99999, ">99.9 %"),  # nor is large always
        (1.0, "100 %"),
        (float("nan"), "-"),
    ],
)
def test_percent(share, words):
    assert percent(share) == words


def test_lengths_and_angles_in_words():
    assert [centimetres(v) for v in (0.0123, 0.5, 1.5, float("nan"))] == ["1.2 cm", "50 cm", "150 cm", "-"]
    assert [degrees(v) for v in (0.456, 12.3, float("nan"))] == ["0.46 deg", "12 deg", "-"]


def test_numbers_keep_their_units_on_one_line():
    assert tied("97 % at 1.5 m, 3 mm of 12 makes") == "97\u00a0% at 1.5\u00a0m, 3\u00a0mm of 12 makes"


def test_file_names_are_plain_everywhere():
    assert plain_name("Zw\u00f6lf / Ofen: 1?") == "zwolf_ofen_1"
    assert robot_picture_name(3, "\u4e09") == "robot_3.png"

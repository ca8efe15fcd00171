"""Pictures in and out: paths, damage, rotation tags, grey levels."""

from __future__ import annotations

import struct
from pathlib import Path

import cv2
import numpy as np
import pytest

from fiducialkit import FileFormatError, InputError, files
from fiducialkit.imaging.images import PICTURE_SUFFIXES, find_pictures, read_picture, to_grey8, write_picture

LOSSLESS = (".png", ".bmp", ".tif", ".tiff", ".pgm")


@pytest.fixture
def grey(rng: np.random.Generator) -> np.ndarray:
    """A smooth picture of 60 x 40 px, so that lossy formats keep it nearly."""
    return cv2.GaussianBlur(rng.integers(0, 256, (40, 60)).astype(np.uint8), (0, 0), 3.0)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder whose name is hard on narrow-character file functions."""
    path = tmp_path / "Jos\u00e9's Bäckerei \u96c6"
    path.mkdir()
    return path


@pytest.mark.parametrize("suffix", LOSSLESS)
def test_lossless_formats_give_every_pixel_back_from_any_path(folder, grey, suffix):
    path = write_picture(folder / f"frame é 1{suffix}", grey)
    np.testing.assert_array_equal(read_picture(path), grey)
    assert [each.name for each in folder.iterdir()] == [path.name]  # nothing half-written beside it


@pytest.mark.parametrize("suffix", [".jpg", ".jpeg", ".webp", ".JPG"])
def test_lossy_formats_give_the_picture_back_nearly(folder, grey, suffix):
    read = read_picture(write_picture(folder / f"a{suffix}", grey))
    assert read.shape == grey.shape
    assert np.abs(read.astype(int) - grey).mean() < 3.0


def test_colour_is_blue_green_red(tmp_path):
    picture = np.zeros((20, 30, 3), dtype=np.uint8)
    picture[:, :10, 0], picture[:, 10:20, 1], picture[:, 20:, 2] = 255, 255, 255
    path = write_picture(tmp_path / "colours.png", picture)
    np.testing.assert_array_equal(read_picture(path, colour=True), picture)
    # ITU-R BT.601 luma weights .114 .587 .299
    np.testing.assert_allclose(read_picture(path)[0, [0, 15, 25]], [29, 150, 76], atol=1)


def with_rotation_tag(jpeg: bytes, orientation: int) -> bytes:
    """Return the JPEG with an Exif segment that holds only an orientation (Exif 2.3, tag 0x0112)."""
    entry = struct.pack("<HHIHH", 0x0112, 3, 1, orientation, 0)
    exif = b"Exif\0\0" + b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", 1) + entry + struct.pack("<I", 0)
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif + jpeg[2:]


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_rotation_tag_is_ignored(tmp_path, grey, orientation):
    """Field report: OpenCV's plain reading turns such a picture, and the lens no longer fits."""
    plain = write_picture(tmp_path / "plain.jpg", grey)
    tagged = files.write_bytes(tmp_path / "tagged.jpg", with_rotation_tag(plain.read_bytes(), orientation))
    turned = cv2.imread(str(tagged), cv2.IMREAD_GRAYSCALE)
    assert not np.array_equal(turned, read_picture(plain))  # so the tag is a real one
    np.testing.assert_array_equal(read_picture(tagged), read_picture(plain))
    assert read_picture(tagged, colour=True).shape == (40, 60, 3)


@pytest.mark.parametrize("suffix", sorted(set(PICTURE_SUFFIXES) - {".jpeg", ".tiff", ".ppm", ".pnm"}))
@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
def test_file_cut_short_is_refused_in_one_line_and_nothing_is_printed(tmp_path, rng, capfd, suffix, share):
    """Field report: some decoders give the first part of a JPEG, and flat grey below, without a word."""
    noise = rng.integers(0, 256, (200, 300)).astype(np.uint8)
    path = write_picture(tmp_path / f"cut{suffix}", noise)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(FileFormatError, match=r"cut.*expected a (whole )?picture, found") as caught:
        read_picture(path)
    assert "\n" not in str(caught.value)
    assert capfd.readouterr() == ("", "")


def test_jpeg_with_a_preview_in_its_header_is_whole_or_cut_by_its_own_end(tmp_path, grey):
    plain = write_picture(tmp_path / "plain.jpg", grey).read_bytes()
    preview = b"\xff\xe2" + struct.pack(">H", len(plain) + 2) + plain  # an end marker inside the header
    path = files.write_bytes(tmp_path / "preview.jpg", plain[:2] + preview + plain[2:])
    np.testing.assert_array_equal(read_picture(path), read_picture(tmp_path / "plain.jpg"))
    path.write_bytes(path.read_bytes()[:-2])
    with pytest.raises(FileFormatError, match="ends too early"):
        read_picture(path)


@pytest.mark.parametrize("options", [[], [cv2.IMWRITE_JPEG_PROGRESSIVE, 1], [cv2.IMWRITE_JPEG_RST_INTERVAL, 1]])
def test_jpeg_with_a_film_after_its_end_is_whole_and_half_of_it_is_not(tmp_path, rng, options):
    """Phones append a film, or a second picture: what counts is the end of the first. Several scans; restarts too."""
    noise = rng.integers(0, 256, (120, 160)).astype(np.uint8)
    whole = cv2.imencode(".jpg", noise, options)[1].tobytes()
    expected = read_picture(files.write_bytes(tmp_path / "plain.jpg", whole))
    film = b"\0\0\0\x18ftypmp42" + bytes(rng.integers(0, 256, 4000).astype(np.uint8)) + b"\xff\xda\x12"
    for tail in (film, whole, whole[: len(whole) // 2], b"\xff\xda"):
        path = files.write_bytes(tmp_path / "film.jpg", whole + tail)
        np.testing.assert_array_equal(read_picture(path), expected)
    for share in (0.2, 0.5, 0.9, 0.999):
        path = files.write_bytes(tmp_path / "half.jpg", whole[: int(share * len(whole))])
        with pytest.raises(FileFormatError, match="ends too early"):
            read_picture(path)


def test_every_cut_of_a_jpeg_is_refused(tmp_path):
    whole = cv2.imencode(".jpg", np.full((24, 24), 77, dtype=np.uint8))[1].tobytes()
    for length in range(3, len(whole)):
        with pytest.raises(FileFormatError):
            read_picture(files.write_bytes(tmp_path / "cut.jpg", whole[:length]))


def test_bytes_after_the_end_do_no_harm(tmp_path, grey):
    for suffix in (".jpg", ".png"):
        path = write_picture(tmp_path / f"a{suffix}", grey)
        before = read_picture(path)
        path.write_bytes(path.read_bytes() + b"\0" * 5000)
        np.testing.assert_array_equal(read_picture(path), before)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (None, "none of that name"),
        (b"", "an empty file"),
        (b"time_s,file\n0,a.png\n", "something else"),
        ("", "folder"),
    ],
)
def test_what_is_no_picture_is_refused_with_its_name(folder, content, reason):
    path = folder / "frame 1.png"
    if content == "":
        path.mkdir()
    elif content is not None:
        path.write_bytes(content)
    with pytest.raises(FileFormatError, match=reason) as caught:
        read_picture(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("name", "picture", "reason"),
    [
        ("a.txt", np.zeros((9, 9), np.uint8), "expected a name ending in"),
        ("a", np.zeros((9, 9), np.uint8), "expected a name ending in"),
        ("a.png", np.zeros((9, 9)), "expected an 8-bit picture, found an array of float64"),
        ("a.png", np.zeros((9, 9, 2), np.uint8), r"found \(9, 9, 2\)"),
        ("a.png", np.zeros((0, 9), np.uint8), "expected at least 8 x 8 px"),
        ("a.webp", np.zeros((9, 20000), np.uint8), "expected a picture this format can hold"),
    ],
)
def test_what_cannot_be_written_is_refused_and_leaves_nothing(tmp_path, name, picture, reason):
    with pytest.raises(InputError, match=reason):
        write_picture(tmp_path / name, picture)
    assert list(tmp_path.iterdir()) == []


def test_grey_levels_of_each_kind_by_hand():
    levels = np.array([[0, 51, 102, 255]] * 8).repeat(2, axis=1)
    expected = levels.astype(np.uint8)
    kinds = {
        "8-bit": levels.astype(np.uint8),
        "16-bit": (levels * 257).astype(np.uint16),
        "0 to 1": levels / 255.0,
        "0 to 1, single": (levels / 255.0).astype(np.float32),
        "0 to 255": levels.astype(float),
        "one channel": levels.astype(np.uint8)[:, :, None],
        "grey as blue, green, red": np.repeat(levels.astype(np.uint8)[:, :, None], 3, axis=2),
        "with opacity": np.concatenate([np.repeat(levels[:, :, None], 3, axis=2), levels[:, :, None] * 0], axis=2)
        / 255,
        "every other column": levels.astype(np.uint8).repeat(2, axis=1)[:, ::2],
    }
    for name, kind in kinds.items():
        before = kind.copy()
        grey = to_grey8(kind)
        assert grey.dtype == np.uint8 and grey.flags.c_contiguous, name
        np.testing.assert_array_equal(grey, expected, err_msg=name)
        np.testing.assert_array_equal(kind, before, err_msg=name)


@pytest.mark.parametrize(
    ("image", "reason"),
    [
        (np.zeros((9, 9), bool), "found bool"),
        (np.zeros((9, 9), np.int32), "found int32"),
        (np.zeros((9, 9), complex), "found complex128"),
        (np.zeros(81, np.uint8), r"found \(81,\)"),
        (np.zeros((9, 9, 2), np.uint8), r"found \(9, 9, 2\)"),
        (np.zeros((2, 9, 9, 3), np.uint8), r"found \(2, 9, 9, 3\)"),
        (np.zeros((7, 9), np.uint8), "at least 8 x 8 px, found 9 x 7"),
        (np.full((9, 9), np.nan), "found 81 that are not"),
        (np.full((9, 9), 255.5), "found 255.5 to 255.5"),
        (np.full((9, 9), -0.1), "found -0.1 to -0.1"),
        (None, r"found \(\)"),
        ("frame.png", r"found \(\)"),
    ],
)
def test_arrays_that_are_no_picture_are_refused(image, reason):
    with pytest.raises(InputError, match=f"^image: expected .*{reason}") as caught:
        to_grey8(image)
    assert "\n" not in str(caught.value)


def test_pictures_are_found_as_people_count_each_once(folder, grey):
    for name in ("frame 10.png", "frame 2.PNG", "frame 1.jpg", "frame 02.png", "z.bmp"):
        write_picture(folder / name, grey)
    (folder / "notes.txt").write_text("nothing")
    (folder / "old.png").mkdir()
    names = [path.name for path in find_pictures(folder)]
    assert names == ["frame 1.jpg", "frame 02.png", "frame 2.PNG", "frame 10.png", "z.bmp"]
    inputs = [folder / "z.bmp", str(folder), folder / "notes.txt"]
    assert [path.name for path in find_pictures(inputs)] == ["z.bmp", *names[:-1], "notes.txt"]


def test_inputs_without_pictures_are_refused(tmp_path):
    with pytest.raises(FileFormatError, match=r"expected pictures \(\.png.*found none"):
        find_pictures(tmp_path)
    with pytest.raises(FileFormatError, match="found none of that name"):
        find_pictures([tmp_path / "nothing.png"])

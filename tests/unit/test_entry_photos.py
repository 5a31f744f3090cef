"""Photographs tied to what they show, and handed on without their place."""

from __future__ import annotations

import io
import math
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image
from PIL.ExifTags import GPS, IFD, Base

from geo.entry.photos import bring_photos, offered_ties, photos_zip, tie_photo
from geo.errors import WallfootError
from geo.photos.camera import camera_facts
from geo.photos.plain import exif_of
from geo.photos.take import verify_photo
from geo.site.folder import read_site
from geo.site.model import Site

DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"


def picture(shade: int = 90) -> bytes:
    """Return a JPEG of one shade that says when and where it was taken."""
    notes = Image.Exif()
    notes[Base.Make] = "made up"
    notes.get_ifd(IFD.Exif)[Base.DateTimeOriginal] = "2026:03:17 10:40:00"
    notes.get_ifd(IFD.GPSInfo)[GPS.GPSLatitudeRef] = "N"
    notes.get_ifd(IFD.GPSInfo)[GPS.GPSLatitude] = (52.0, 11.0, 30.0)
    out = io.BytesIO()
    Image.new("RGB", (64, 40), (shade, shade, 30)).save(out, format="JPEG", exif=notes)
    return out.getvalue()


def site() -> Site:
    """Return the demo site, which has one photograph, of gully G2."""
    return read_site(DEMO)


def test_what_is_refused_does_not_stop_the_others() -> None:
    """Three files, one of them text: two are kept, and the third is named with what may come in."""
    files = [("a.jpg", picture()), ("notes.jpg", b"not a picture"), ("b.jpg", picture(120))]
    brought = bring_photos(files, site(), fields={"of_id": "G1", "scale_in_frame": "yes"})
    assert [(one.of_id, one.scale_in_frame) for one in brought.records] == [("G1", "yes")] * 2
    (told,) = brought.told
    assert "notes.jpg" in told
    assert "Not kept" in told


def test_the_original_is_kept_byte_for_byte_under_its_record(tmp_path: Path) -> None:
    """The file named by the record holds the bytes as they came, and their hash says so."""
    raw = picture()
    brought = bring_photos([("a.jpg", raw)], site())
    (record,) = brought.records
    path = tmp_path / record.file
    path.write_bytes(brought.originals[f"photos/{record.file}"])
    assert path.read_bytes() == raw
    assert verify_photo(path, record.sha256) == "same"
    assert record.taken_at == "2026-03-17T10:40:00"


def test_the_same_picture_twice_is_kept_once() -> None:
    """In one go or on another day, the second copy is said to be there already."""
    brought = bring_photos([("a.jpg", picture()), ("copy.jpg", picture())], site())
    assert len(brought.records) == 1
    assert "copy.jpg is there already" in brought.told[0]
    now = replace(site(), records={**site().records, "photo": (*site().of("photo"), *brought.records)})
    assert bring_photos([("again.jpg", picture())], now).records == ()


def test_a_tie_changes_what_it_names_and_nothing_else() -> None:
    """The time, the hash and the file stay when a photograph is tied to another asset."""
    (record,) = bring_photos([("a.jpg", picture())], site(), fields={"of_id": "G1"}).records
    tied, wrong = tie_photo(record, {"of_id": "G3", "chainage_m": "18.8"})
    assert wrong == []
    assert tied is not None
    assert tied.model_dump() == {**record.model_dump(), "of_id": "G3", "chainage_m": 18.8}
    free, _ = tie_photo(tied, {"of_id": "", "chainage_m": ""})
    assert free is not None
    assert free.model_dump() == {**record.model_dump(), "of_id": ""}


def test_a_place_that_cannot_be_is_said_at_its_field() -> None:
    """A chainage of words makes no record."""
    (record,) = bring_photos([("a.jpg", picture())], site()).records
    tied, wrong = tie_photo(record, {"chainage_m": "by the door"})
    assert tied is None
    assert "chainage_m" in wrong[0]


def test_the_last_used_and_then_the_nearest_are_offered() -> None:
    """Round a wall of 40 m, chainage 39.5 is half a metre from 0.0 and further from all the others."""
    places = {"G1": 20.0, "G3": 0.0, "G4": 38.0}
    offers = offered_ties(site(), places, chainage_m=39.5, ring_length_m=40.0)
    assert offers[:5] == ("TR5", "G2", "G3", "G4", "G1")


def test_without_a_chainage_the_last_tests_are_offered() -> None:
    """A photograph just taken is likely of the test just made."""
    assert offered_ties(site(), {}, chainage_m=math.nan)[:3] == ("TR5", "G2", "TR6")


@pytest.mark.parametrize("keep", [True, False])
def test_the_zip_tells_no_place_unless_it_is_asked_to(keep: bool) -> None:
    """By default the copies have no place and every pixel; asked to keep it they are the originals."""
    brought = bring_photos([("a.jpg", picture())], site())
    raw, left = photos_zip(brought.records, brought.originals.__getitem__, keep_place=keep)
    (member,) = zipfile.ZipFile(io.BytesIO(raw)).namelist()
    content = zipfile.ZipFile(io.BytesIO(raw)).read(member)
    assert left == ()
    assert camera_facts(exif_of(content)).has_place is keep
    assert (content == brought.originals[member]) is keep
    pixels = [Image.open(io.BytesIO(each)).tobytes() for each in (content, brought.originals[member])]
    assert pixels[0] == pixels[1]


def test_what_cannot_be_handed_on_without_its_place_is_left_out_and_named() -> None:
    """A file that is gone, and one that is no longer a picture, are told in the zip itself."""
    records = bring_photos([("a.jpg", picture()), ("b.jpg", picture(120))], site()).records

    def read(name: str) -> bytes:
        if name.endswith(records[0].file):
            raise WallfootError("There is no such file.")
        return b"spoiled"

    raw, left = photos_zip(records, read)
    assert len(left) == 2
    given = zipfile.ZipFile(io.BytesIO(raw))
    assert given.namelist() == ["photographs.txt"]
    assert records[1].id in given.read("photographs.txt").decode()

"""Feed generated bad files to the intake, and print what became of them.

Run by hand: ``python tests/faults/bad_files.py [how many] [seed]``. It fails when a file crashes the intake,
takes longer than its limit, is taken in although it must be refused, or leaves anything behind.
"""

from __future__ import annotations

import io
import json
import os
import random
import resource
import struct
import sys
import tempfile
import time
import zipfile
import zlib
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path

import ezdxf
import geopandas as gpd
import numpy as np
import openpyxl
import rasterio
import shapely
from PIL import Image
from pyproj import CRS
from rasterio.io import MemoryFile
from rasterio.transform import from_origin

from geo import reference
from geo.intake.apply import apply
from geo.intake.arrival import LAYERS, PICTURE, RASTER, arrive
from geo.intake.mapping import propose_mapping
from geo.intake.plan import look_at_plan
from geo.intake.raster import look_at_raster
from geo.intake.sheet import look_at
from geo.intake.vector import look_at_vector, take_vector

REF = reference.default()
GRID = CRS.from_epsg(27700)
EAST, NORTH = 432118.0, 305604.0
CANARY = "canary-7f31c2-must-never-be-read"
ROWS = 40

Made = tuple[str, bytes, bool]
"""Name, bytes, and whether it must be refused."""


class Seeds:
    """Whole files of every form, to spoil."""

    def __init__(self, folder: Path) -> None:
        self.canary = folder / "canary.txt"
        self.canary.write_text(CANARY, encoding="utf-8")
        house = gpd.GeoDataFrame(
            {"Ref": ["H1"]}, geometry=[shapely.box(EAST, NORTH, EAST + 8, NORTH + 6)], crs=27700
        )
        self.files: dict[str, bytes] = {
            "readings.csv": _csv(),
            "readings.xlsx": _xlsx(),
            "house.gpkg": _written(folder / "house.gpkg", lambda path: house.to_file(path, driver="GPKG")),
            "house.geojson": house.to_json().encode(),
            "house.zip": _shapefile(folder, house),
            "house.dxf": _dxf(),
            "track.gpx": _gpx(""),
            "ground.tif": _tiff(),
            "plan.png": _picture("PNG"),
            "plan.jpg": _picture("JPEG"),
        }


def _csv() -> bytes:
    lines = ["Ref,Height (mm),Reading,Method,Material,Instrument"]
    lines += [f"R{at},{at * 20},{12.5 + at / 10},capacitance,brick,M1" for at in range(ROWS)]
    return "\n".join(lines).encode()


def _xlsx() -> bytes:
    book = openpyxl.Workbook()
    for line in _csv().decode().split("\n"):
        book.active.append(line.split(","))
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def _written(path: Path, write: Callable[[Path], object]) -> bytes:
    write(path)
    return path.read_bytes()


def _shapefile(folder: Path, house: gpd.GeoDataFrame) -> bytes:
    house.to_file(folder / "house.shp")
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as packed:
        for end in ("shp", "shx", "dbf", "prj", "cpg"):
            packed.write(folder / f"house.{end}", f"house.{end}")
    return held.getvalue()


def _dxf() -> bytes:
    drawing = ezdxf.new("R2010")
    drawing.units = 6
    corners = [(EAST, NORTH), (EAST + 8, NORTH), (EAST + 8, NORTH + 6), (EAST, NORTH + 6)]
    drawing.modelspace().add_lwpolyline(corners, close=True, dxfattribs={"layer": "WALL"})
    held = io.StringIO()
    drawing.write(held)
    return held.getvalue().encode()


def _gpx(head: str, name: str = "C1") -> bytes:
    body = f'<wpt lat="52.6" lon="1.7"><name>{name}</name></wpt>'
    text = f'<?xml version="1.0"?>{head}<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{body}</gpx>'
    return text.encode()


def _tiff(width: int = 60, height: int = 60) -> bytes:
    with MemoryFile(ext=".tif") as held:
        with held.open(
            driver="GTiff",
            width=width,
            height=height,
            count=1,
            dtype="float32",
            crs="EPSG:27700",
            transform=from_origin(EAST - 20, NORTH + 30, 1, 1),
            nodata=-9999,
        ) as target:
            target.write(np.full((1, height, width), 50.0, dtype="float32"))
        return bytes(held.getbuffer())


def _picture(form: str) -> bytes:
    held = io.BytesIO()
    Image.effect_noise((80, 60), 40).convert("RGB").save(held, format=form)
    return held.getvalue()


def _repacked(raw: bytes, change: dict[str, bytes]) -> bytes:
    """Return an archive with members replaced or added."""
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, change.get(name, old.read(name)))
        for name, content in change.items():
            if name not in old.namelist():
                new.writestr(name, content)
    return held.getvalue()


# --- families ---------------------------------------------------------------------------------


def truncated(seeds: Seeds, dice: random.Random) -> Made:
    """Cut a file short: binary ones must be refused, a text may still be a shorter text."""
    name, raw = dice.choice(list(seeds.files.items()))
    cut = raw[: dice.randrange(0, max(1, len(raw) - 64))]
    return name, cut, name.endswith((".xlsx", ".zip", ".dxf", ".gpx", ".geojson"))


def flipped(seeds: Seeds, dice: random.Random) -> Made:
    """Change some bytes of a file."""
    name, raw = dice.choice(list(seeds.files.items()))
    spoilt = bytearray(raw)
    for _ in range(dice.choice((1, 4, 20, 200))):
        spoilt[dice.randrange(len(spoilt))] = dice.randrange(256)
    return name, bytes(spoilt), False


def wrong_type(seeds: Seeds, dice: random.Random) -> Made:
    """Name a file as another, or fill it with noise or with what this tool does not read."""
    other = dice.choice(list(seeds.files))
    odd = (
        dice.randbytes(dice.randrange(1, 5000)),
        b"%PDF-1.7\n" + dice.randbytes(200),
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500),
        b"MZ" + dice.randbytes(500),
        b"<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        b"<VRTDataset rasterXSize='9' rasterYSize='9'><VRTRasterBand><SimpleSource><SourceFilename>/vsicurl/http://127.0.0.1:9/x.tif</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>",
        b"<html><script>alert(1)</script></html>",
        f'<!DOCTYPE svg [<!ENTITY x SYSTEM "file://{seeds.canary}">]><svg xmlns="http://www.w3.org/2000/svg"><text>&x;</text></svg>'.encode(),
        b"\x1f\x8b" + dice.randbytes(300),
    )
    return other, dice.choice(odd[1:] if dice.random() < 0.8 else odd), False


def bomb(seeds: Seeds, dice: random.Random) -> Made:
    """Pack a member that unpacks to hundreds of megabytes, thousands of members, or a lie about its size."""
    which = dice.randrange(4)
    if which == 0:
        member = dice.choice(("xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/media/image1.png"))
        return (
            "bomb.xlsx",
            _repacked(seeds.files["readings.xlsx"], {member: b"\0" * (dice.randrange(200, 400) << 20)}),
            True,
        )
    if which == 1:
        many = {f"xl/media/{at}.txt": b"x" for at in range(2500)}
        return "many.xlsx", _repacked(seeds.files["readings.xlsx"], many), True
    if which == 2:
        return (
            "bomb.zip",
            _repacked(seeds.files["house.zip"], {"house.dbf": bytes(dice.randrange(200, 400) << 20)}),
            True,
        )
    rows = b"".join(
        b'<row r="%d"><c r="XFD%d"><v>1</v></c></row>' % (at, at) for at in range(1, 1_048_576, 200)
    )
    sheet = (
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
        + rows
        + b"</sheetData></worksheet>"
    )
    return "wide.xlsx", _repacked(seeds.files["readings.xlsx"], {"xl/worksheets/sheet1.xml": sheet}), True


def entity(seeds: Seeds, dice: random.Random) -> Made:
    """Define entities: a file of this machine, a name from outside, or laughs by the billion."""
    laughs = "".join(f'<!ENTITY l{at} "{f"&l{at - 1};" * 10}">' for at in range(1, 10))
    heads = (
        f'<!DOCTYPE x [<!ENTITY e SYSTEM "file://{seeds.canary}">]>',
        '<!DOCTYPE x [<!ENTITY e SYSTEM "http://127.0.0.1:9/x">]>',
        f'<!DOCTYPE x [<!ENTITY % p SYSTEM "file://{seeds.canary}"> %p;]>',
        f'<!DOCTYPE x [<!ENTITY l0 "ha">{laughs}<!ENTITY e "&l9;">]>',
    )
    head = dice.choice(heads)
    if dice.random() < 0.5:
        return "track.gpx", _gpx(head, "&e;"), True
    with zipfile.ZipFile(io.BytesIO(seeds.files["readings.xlsx"])) as packed:
        member = dice.choice([name for name in packed.namelist() if name.endswith((".xml", ".rels"))])
        text = packed.read(member).decode()
    start = text.find("?>") + 2 if text.startswith("<?xml") else 0
    codec = dice.choice(("utf-8", "utf-16"))
    spoilt = (text[:start] + head + text[start:]).encode(codec)
    return "readings.xlsx", _repacked(seeds.files["readings.xlsx"], {member: spoilt}), True


def huge_picture(seeds: Seeds, dice: random.Random) -> Made:
    """State a picture or raster of billions of pixels in a few bytes."""
    side = dice.randrange(20_000, 200_000)
    if dice.random() < 0.6:
        head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
        chunks = [(b"IHDR", head), (b"IDAT", zlib.compress(bytes(5000))), (b"IEND", b"")]
        body = b"".join(
            struct.pack(">I", len(part)) + kind + part + struct.pack(">I", zlib.crc32(kind + part))
            for kind, part in chunks
        )
        return "plan.png", b"\x89PNG\r\n\x1a\n" + body, True
    with MemoryFile(ext=".tif") as held:
        with held.open(
            driver="GTiff", width=side, height=side, count=1, dtype="float32", crs="EPSG:27700",
            transform=from_origin(EAST, NORTH, 0.001, 0.001), sparse_ok=True, tiled=True, blockxsize=512, blockysize=512,
        ):  # fmt: skip
            pass
        raw = bytes(held.getbuffer())
    del seeds
    return "ground.tif", raw, True


def tricky_name(seeds: Seeds, dice: random.Random) -> Made:
    """Give a good file a name that leads elsewhere."""
    name, raw = dice.choice(list(seeds.files.items()))
    tricks = (
        f"../../{name}", f"/etc/{name}", f"..\\..\\{name}", f"C:\\{name}", f"nul.{name}", "CON", f"{name}\x00.txt", f"{name}\n", f"a\u202e{name[::-1]}",
        "a" * dice.randrange(200, 100_000) + name, f"\u2066{name}", "", " . ", f"\x1b[2J{name}", f"file:///{name}", f"\\\\host\\share\\{name}",
    )  # fmt: skip
    return dice.choice(tricks), raw, True


def odd_archive(seeds: Seeds, dice: random.Random) -> Made:
    """Give an archive's members paths that lead elsewhere: they are never unpacked by name."""
    with zipfile.ZipFile(io.BytesIO(seeds.files["house.zip"])) as packed:
        parts = {name.split(".")[-1]: packed.read(name) for name in packed.namelist()}
    stem = dice.choice(
        ("../../../tmp/house", "/tmp/house", "C:\\house", "a/b/c/house", "..\\house", "hou\nse", "x" * 3000)
    )
    held = io.BytesIO()
    left_out = dice.choice(("", "", "dbf", "shx"))
    with zipfile.ZipFile(held, "w") as packed:
        for end, content in parts.items():
            if end != left_out:
                packed.writestr(f"{stem}.{end}", content)
    return "house.zip", held.getvalue(), bool(left_out)


def odd_table(seeds: Seeds, dice: random.Random) -> Made:
    """Spoil a table: controls, a million columns, cells without end, quotes left open, formulas, no rows."""
    good = seeds.files["readings.csv"]
    which = dice.randrange(9)
    if which == 0:
        return "wide.csv", b"a," * 1_000_000 + b"\n" + b"1," * 1_000_000, True
    if which == 1:
        return "readings.csv", good.replace(b"R3,", bytes([dice.choice((1, 7, 8, 27, 12))]) + b"R3,"), False
    if which == 2:
        return "readings.csv", good + b"\nR99," + b"x" * dice.randrange(140_000, 3_000_000), True
    if which == 3:
        return "readings.csv", good + b'\n"R99,1,2,capacitance,brick', False
    if which == 4:
        return "readings.csv", good.replace(b"M1", b"=cmd|' /C calc'!A0"), False
    if which == 5:
        return "readings.csv", good.split(b"\n")[0], False
    if which == 6:
        return "readings.csv", b"Ref,Reading\n" + b"R,1\n" * 250_000, True
    if which == 7:
        return "readings.csv", good.decode().encode("utf-16") + dice.randbytes(3), True
    return "readings.csv", b"\n" * dice.randrange(1, 500_000), True


def odd_layer(seeds: Seeds, dice: random.Random) -> Made:
    """Spoil GeoJSON: nested deep, numbers that are none, shapes that are none, millions of corners."""
    which = dice.randrange(8)
    ring = [[EAST, NORTH], [EAST + 8, NORTH], [EAST + 8, NORTH + 6], [EAST, NORTH]]
    del seeds

    def layer(geometry: object) -> bytes:
        feature = {"type": "Feature", "properties": {"a": 1}, "geometry": geometry}
        return json.dumps({"type": "FeatureCollection", "features": [feature]}).encode()

    if which == 0:
        deep = dice.choice((200, 5_000, 200_000, 2_000_000))
        return (
            "deep.geojson",
            b'{"type":"FeatureCollection","features":' + b"[" * deep + b"]" * deep + b"}",
            True,
        )
    if which == 1:
        return "nan.geojson", layer({"type": "Polygon", "coordinates": [[[float("nan"), 1], *ring]]}), True
    if which == 2:
        return "inf.geojson", layer({"type": "Point", "coordinates": [1e308, -1e308]}), True
    if which == 3:
        return "text.geojson", layer({"type": "Polygon", "coordinates": "everywhere"}), True
    if which == 4:
        return (
            "bow.geojson",
            layer(
                {"type": "Polygon", "coordinates": [[ring[0], ring[2], ring[1], [EAST, NORTH + 6], ring[0]]]}
            ),
            True,
        )
    if which == 5:
        return (
            "none.geojson",
            json.dumps({"type": "FeatureCollection", "features": [1, None, "x", [2]]}).encode(),
            True,
        )
    if which == 6:
        return (
            "long.geojson",
            layer({"type": "LineString", "coordinates": [[at, at] for at in range(1_200_000)]}),
            True,
        )
    raw = layer({"type": "Point", "coordinates": [12345, 0]}).replace(
        b"12345", b"9" * dice.choice((400, 5000))
    )
    return "big.geojson", raw, True


FAMILIES: tuple[tuple[Callable[[Seeds, random.Random], Made], int], ...] = (
    (truncated, 26),
    (flipped, 26),
    (wrong_type, 12),
    (entity, 10),
    (tricky_name, 8),
    (odd_archive, 5),
    (odd_table, 5),
    (huge_picture, 4),
    (odd_layer, 3),
    (bomb, 1),
)


# --- the trial --------------------------------------------------------------------------------


def feed(name: str, raw: bytes) -> tuple[bool, str]:
    """Bring a file in as the app does; return whether it was refused, and everything that was said or read."""
    arrival = arrive(name, raw, ref=REF)
    if arrival.what == LAYERS:
        looked = look_at_vector(name, raw, ref=REF)
        said = [str(problem) for problem in looked.problems]
        refused = not looked.layers
        for layer in looked.layers:
            taken = take_vector(
                layer,
                propose_mapping(layer.sheet, "building"),
                site_crs=GRID,
                ref=REF,
                layer_crs=layer.crs or GRID,
            )
            said += [repr(layer.sheet.rows), *map(str, taken.problems)]
            refused = refused or not taken.records
        return refused, "\n".join(said)
    if arrival.what == RASTER:
        seen = look_at_raster(name, raw, site_crs=GRID, footprint=(EAST, NORTH, EAST + 8, NORTH + 6), ref=REF)
        plan = look_at_plan(name, raw, ref=REF)
        said = [str(problem) for problem in (*seen.problems, *plan.problems)]
        return not seen.usable, "\n".join(said)
    if arrival.what == PICTURE:
        picture = look_at_plan(name, raw, ref=REF)
        return not picture.png, "\n".join(map(str, picture.problems))
    tables = look_at(name, raw, ref=REF)
    said = [str(problem) for problem in tables.problems]
    refused = not tables.sheets
    for sheet in tables.sheets:
        held = apply(sheet, propose_mapping(sheet, "reading"), ref=REF)
        said += [repr(sheet.rows), *map(str, held.problems)]
        refused = refused or not held.records
    return refused, "\n".join(said)


def traces(folders: list[Path]) -> set[str]:
    """Return what stands in the folders a parser might write to."""
    return {
        str(path) for folder in folders for path in folder.iterdir() if not path.name.startswith("bash_jobs")
    }


def main() -> int:
    """Make the files, feed them, print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 3000
    dice = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    most = REF.value("intake.seconds") + 10
    with tempfile.TemporaryDirectory() as place:
        seeds = Seeds(Path(place))
        empty = Path(place) / "work"
        empty.mkdir()
        os.chdir(empty)
        for name, raw in seeds.files.items():
            refused, said = feed(name, raw)
            if refused and not name.endswith(".gpx"):
                print(f"the whole {name} was refused: {said[:300]}")
                return 1
        watched = [empty, Path(place), Path(__file__).parents[2]]
        before = traces(watched)
        picks = dice.choices(
            [family for family, _ in FAMILIES], weights=[weight for _, weight in FAMILIES], k=count
        )
        tally: dict[str, Counter[str]] = defaultdict(Counter)
        slowest: dict[str, float] = defaultdict(float)
        bad: list[str] = []
        start = time.monotonic()
        for number, family in enumerate(picks):
            name, raw, must = family(seeds, dice)
            kind = family.__name__
            began = time.monotonic()
            try:
                refused, said = feed(name, raw)
            except Exception as error:  # noqa: BLE001 - what is being looked for
                tally[kind]["crashed"] += 1
                bad.append(f"{number} {kind} {name[:40]!r}: {type(error).__name__}: {str(error)[:200]}")
                continue
            took = time.monotonic() - began
            slowest[kind] = max(slowest[kind], took)
            tally[kind]["refused" if refused else "read"] += 1
            if must and not refused:
                bad.append(f"{number} {kind} {name[:40]!r}: taken in")
            if took > most:
                bad.append(f"{number} {kind} {name[:40]!r}: {took:.0f} s")
            if CANARY in said:
                bad.append(f"{number} {kind} {name[:40]!r}: read another file")
            if refused and not said:
                bad.append(f"{number} {kind} {name[:40]!r}: refused without a word")
        whole = time.monotonic() - start
        left = traces(watched) - before
        os.chdir(place)
    print(f"{'family':14} {'files':>6} {'refused':>8} {'read':>6} {'crashed':>8} {'slowest s':>10}")
    for family, _ in FAMILIES:
        row, kind = tally[family.__name__], family.__name__
        print(
            f"{kind:14} {row.total():6} {row['refused']:8} {row['read']:6} {row['crashed']:8} {slowest[kind]:10.2f}"
        )
    total = sum(tally.values(), Counter())
    print(
        f"{'all':14} {total.total():6} {total['refused']:8} {total['read']:6} {total['crashed']:8} {max(slowest.values()):10.2f}"
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{whole:.0f} s in all, {1000 * whole / count:.0f} ms a file; most memory of this process {peak:.0f} MB"
    )
    print(f"left behind: {sorted(left) or 'nothing'}; rasterio {rasterio.__version__}")
    for line in bad:
        print("WRONG", line)
    return 1 if bad or left else 0


if __name__ == "__main__":
    sys.exit(main())

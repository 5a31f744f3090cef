"""Photographs: copies that tell no place, sized for a page, with the record and the hash of the original."""

from __future__ import annotations

import hashlib
import io
import math
from pathlib import Path
from typing import Any

from PIL import Image, ImageOps

from geo.errors import WallfootError
from geo.photos.camera import BROKEN
from geo.photos.plain import without_place
from geo.report.parts import Cell, Figure, Ids, Paragraph, Part, Table, blocks, paragraph, sentences
from geo.report.source import Source
from geo.report.wording import count_words, day_words

QUALITY = 82
FOLDER = "photos"


def photographs_part(source: Source) -> Part:
    """Return the photographs, each with its record, what it shows, and the hash of its original."""
    records: list[Any] = list(source.site.of("photo"))
    most = int(source.ref.value("report.photo_most"))
    figures: list[Figure] = []
    rows: list[tuple[Cell, ...]] = []
    missing: list[str] = []
    for record in records:
        path = source.site.folder / FOLDER / record.file
        raw = _read(path)
        if raw is None:
            missing.append(record.id)
            continue
        digest = hashlib.sha256(raw).hexdigest()
        rows.append((Ids((record.id,)), record.file, digest, _same(record, digest)))
        if len(figures) < most:
            shown = thumbnail(raw, int(source.ref.value("report.photo_px")))
            if shown is None:
                missing.append(record.id)
                continue
            figures.append(_figure(source, record, shown, digest))
    return Part(
        key="photographs",
        title="Photographs",
        blocks=blocks(
            *figures,
            _more(len(rows) - len(figures)),
            paragraph(
                sentences(f"not to be had, or no picture: {', '.join(missing)}") if missing else "",
                rests_on=missing,
            ),
            Table(
                caption="Originals, by hash; the copies above are made smaller and tell no place",
                header=("Record", "File", "SHA-256 of the original", "As recorded"),
                widths=(0.8, 1.8, 4.6, 1.0),
                rows=tuple(rows),
            ),
        ),
        why="no photograph is recorded",
        fills="photographs square on with a scale in them, and one of the surroundings, for each wet place",
    )


def _more(left: int) -> Paragraph | None:
    return paragraph(f"{count_words(left, 'more')} not printed; their hashes follow." if left > 0 else "")


def _same(record: Any, digest: str) -> str:
    if not record.sha256:
        return "no hash recorded"
    return "same" if record.sha256.lower() == digest else "differs"


def _read(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _figure(source: Source, record: Any, shown: bytes, digest: str) -> Figure:
    placed = source.found.placed.get("photo")
    where = ""
    if placed is not None and record.id in placed.index:
        row = placed.loc[record.id]
        at = float(row["chainage_m"])
        where = source.places.spot(str(row["ring_key"] or ""), at) if math.isfinite(at) else ""
    caption = sentences(
        ", ".join(filter(None, (record.id, f"shows {record.of_id}" if record.of_id else "", where))),
        f"taken {day_words(record.taken_at)}" if record.taken_at else "",
        f"“{record.note}”" if record.note else "",
        {"yes": "a scale is in the picture", "no": "no scale in the picture"}.get(record.scale_in_frame, ""),
        f"original {digest[:16]}…",
    )
    alt = ", ".join(
        filter(None, ("Photograph", record.id, record.of_id and f"of {record.of_id}", record.note))
    )
    return Figure(
        name=f"photo-{record.id}",
        alt=alt,
        caption=caption,
        picture=shown,
        share=0.48,
        rests_on=tuple(filter(None, (record.id, record.of_id))),
    )


def thumbnail(raw: bytes, wide_px: int) -> bytes | None:
    """Return a copy of a photograph that tells no place, upright, no wider than asked, as JPEG.

    Returns
    -------
    ``None`` when it is no picture that can be read. The same picture gives the same bytes.
    """
    try:
        clean = without_place(raw)
    except WallfootError:
        return None
    try:
        with Image.open(io.BytesIO(clean), formats=("JPEG", "PNG")) as opened:
            opened.draft("RGB", (2 * wide_px, 2 * wide_px))
            upright = ImageOps.exif_transpose(opened)
            flat = _on_white(upright)
            flat.thumbnail((wide_px, wide_px), Image.Resampling.LANCZOS)
            out = io.BytesIO()
            flat.save(out, "JPEG", quality=QUALITY, optimize=True)
            return out.getvalue()
    except (*BROKEN, Image.DecompressionBombError):
        return None


def _on_white(picture: Image.Image) -> Image.Image:
    """Return a picture without a see-through part."""
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        layer = picture.convert("RGBA")
        flat = Image.new("RGB", layer.size, "white")
        flat.paste(layer, mask=layer.getchannel("A"))
        return flat
    return picture.convert("RGB")

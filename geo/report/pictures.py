"""The figures of a report: plan, strips, rings, sections of drains and walls."""

from __future__ import annotations

import math

from geo.draw.ring import draw_ring
from geo.draw.section import draw_long_section, heads_of
from geo.draw.strip import draw_strip
from geo.draw.wall_section import draw_wall_section
from geo.errors import WallfootError
from geo.findings.drains import path_of
from geo.report.drawings import ring_cut, shape_of, strip_key, strip_windows
from geo.report.parts import Block, Figure, Paragraph, Part
from geo.report.places import WetPlace
from geo.report.site_plan import closer, draw_site_plan, plan_key
from geo.report.source import Source

MOST_SECTIONS = 8
PAGE_WIDE_MM, BESIDE_KEY_MM = 178.0, 176.0
"""Width of a page, and the room a strip has on the page that bears the key."""


def plan_figures(source: Source) -> tuple[Figure, ...]:
    """Return the plan of the site, and its key."""
    if source.found.perimeter.footprints.empty:
        return ()
    plan = Figure(
        name="plan",
        alt=f"Plan of the site, north up: walls, {len(source.wet)} wet places lettered, outlets and drains",
        caption="Plan. Thick lines beside a wall: found wet, inside or outside of it. Dots: not read. Pale"
        " blue: where the ground could hold water. Letters in dots at corners are the corners of a building.",
        svg=draw_site_plan(source.scene, source.wet, source.wet_names),
    )
    key = Figure(name="plan-key", alt="Key of the plan", caption="Key of the plan.", svg=plan_key())
    if not closer(source.scene):
        return plan, key
    near = Figure(
        name="plan-near",
        alt="Plan of the surveyed buildings at a larger scale, north up: walls, wet places and outlets",
        caption="The surveyed buildings at a larger scale, with what lies beside them. Signs as above.",
        svg=draw_site_plan(source.scene, source.wet, source.wet_names, near=True),
    )
    return plan, key, near


def strips_part(source: Source) -> Part:
    """Return the developed strip of every ring in windows, and its key."""
    window = source.ref.value("report.strip_window_m")
    figures = []
    for ring_key in source.scene.drawn_rings:
        name = source.places.ring(ring_key)
        length = source.places.lengths[ring_key]
        svg = draw_strip(source.scene, ring_key)
        for start, end, part in strip_windows(svg, length, window):
            figures.append(
                Figure(
                    name=f"strip-{ring_key}-{start:.0f}",
                    alt=f"Developed strip of {name}, chainage {start:.1f} to {end:.1f} m: outside above,"
                    " inside below, readings of each method in a lane of their own",
                    caption=f"{name}, chainage {start:.1f} to {end:.1f} m. Outside above, inside below; the"
                    f" levels are drawn taller than the lengths. {source.scene.when_and_what()}.",
                    svg=part,
                )
            )
    key = Figure(name="strip-key", alt="Key of the strips", caption="Key of the strips.", svg=strip_key())
    blocks: tuple[Block, ...] = (key, *figures) if figures else ()
    if figures and _taller(figures[0]):
        # The key would stand alone on its page.
        blocks = (Paragraph(said="The key of the strips stands after the last of them."), *figures, key)
    return Part(
        key="strips",
        title="The walls unrolled",
        blocks=blocks,
        why="no building is surveyed",
        fills="the outline of the building",
    )


def _taller(figure: Figure) -> bool:
    """Return whether a strip is too tall to share its page with the key."""
    wide, tall = shape_of(figure.svg)
    return PAGE_WIDE_MM * tall / wide > BESIDE_KEY_MM


def ring_figures(source: Source) -> dict[str, Figure]:
    """Return the ring of falls and clearances of every ring where something of it is known."""
    found = {}
    for ring_key in source.scene.drawn_rings:
        own = source.scene.stations
        ids = own.loc[own["ring_key"] == ring_key, "station_id"]
        falls, clear = source.scene.falls, source.scene.clearance
        measured = bool(falls.loc[falls["station_id"].isin(ids), "fall_percent"].notna().any())
        measured |= bool(clear.loc[clear["station_id"].isin(ids), "clearance_mm"].notna().any())
        if not measured:
            continue
        name = source.places.ring(ring_key)
        found[ring_key] = Figure(
            name=f"ring-{ring_key}",
            alt=f"Ring of falls and clearances round {name}, chainage clockwise from the top",
            caption=f"{name}. From the middle out: faces and corners; clearance of the damp proof course in"
            " mm (dashed ring: the rule; dark and !: short of it; ?: too near to tell); fall of the ground by"
            " levels, then by raster, in % (inward arrow: falls to the wall; bars: 95 % range; ?: not known);"
            " pools"
            f" against the wall, as found and with no gully working; chainage in m."
            f" {source.scene.when_and_what()}.",
            svg=ring_cut(draw_ring(source.scene, ring_key)),
        )
    return found


def drain_figures(source: Source) -> tuple[Figure, ...]:
    """Return a long section down from every head of the drains."""
    drains = source.drains
    if drains is None:
        return ()
    figures, shown = [], set()
    for head in heads_of(drains):
        path = path_of(drains, start=head)
        if not path or path in shown:
            continue
        shown.add(path)
        figures.append(
            Figure(
                name=f"section-{head}",
                alt=f"Long section from {head} down: ground, covers, pipes and inverts",
                caption=f"Long section from {head} down, runs {', '.join(path)}.",
                svg=draw_long_section(drains, path=path),
            )
        )
    return tuple(figures)


def wall_figures(source: Source) -> tuple[Figure, ...]:
    """Return a section through the wall in the middle of each wet length, where anything is levelled."""
    if source.drains is None:
        return ()
    figures: list[Figure] = []
    cut: list[tuple[str, float]] = []
    for place, name in zip(source.wet, source.wet_names, strict=True):
        at = _middle(source, place)
        if len(figures) >= MOST_SECTIONS or any(
            key == place.ring_key and abs(at - other) < 1.0 for key, other in cut
        ):
            continue
        try:
            svg = draw_wall_section(source.drains, place.ring_key, at)
        except WallfootError:
            continue
        cut.append((place.ring_key, at))
        figures.append(
            Figure(
                name=f"wall-{name}",
                alt=f"Section through the wall at place {name}: ground, damp proof courses, cavity, floor",
                caption=f"Place {name}: section through {source.places.spot(place.ring_key, at)}. What was"
                " not seen is dashed or left out.",
                svg=svg,
            )
        )
    return tuple(figures)


def _middle(source: Source, place: WetPlace) -> float:
    return math.fmod((place.from_m + place.to_m) / 2, source.places.lengths[place.ring_key])

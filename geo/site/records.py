"""Every kind of record by name.

From these declarations come the checks, the blank templates, the field guide and the tables.
"""

from __future__ import annotations

from geo.site.building_records import (
    Building,
    CavityStretch,
    DpcPoint,
    Face,
    FinishZone,
    FloorZone,
    Foundation,
    GroundPatch,
    Kerb,
    Opening,
)
from geo.site.drain_records import (
    Chamber,
    Downpipe,
    Fitting,
    Fixture,
    Gully,
    Gutter,
    Run,
    Service,
    Soakaway,
    WaterLevel,
)
from geo.site.reading_records import ControlSet, Environment, Level, Reading, Salt, Sample, UnreadLength
from geo.site.record import Between, Noted, OnBuilding, Placed, Record, Seen, Worded
from geo.site.visit_records import (
    Account,
    AssetState,
    Consent,
    Event,
    Instrument,
    MeterReading,
    OpeningUp,
    Photo,
    StopMark,
    Trial,
    Visit,
)

__all__ = [
    "ASSETS",
    "KINDS",
    "Account",
    "AssetState",
    "Between",
    "Building",
    "CavityStretch",
    "Chamber",
    "Consent",
    "ControlSet",
    "Downpipe",
    "DpcPoint",
    "Environment",
    "Event",
    "Face",
    "FinishZone",
    "Fitting",
    "Fixture",
    "FloorZone",
    "Foundation",
    "GroundPatch",
    "Gully",
    "Gutter",
    "Instrument",
    "Kerb",
    "Level",
    "MeterReading",
    "Noted",
    "OnBuilding",
    "Opening",
    "OpeningUp",
    "Photo",
    "Placed",
    "Reading",
    "Record",
    "Run",
    "Salt",
    "Sample",
    "Seen",
    "Service",
    "Soakaway",
    "StopMark",
    "Trial",
    "UnreadLength",
    "Visit",
    "WaterLevel",
    "Worded",
]

KINDS: dict[str, type[Record]] = {
    model.kind: model
    for model in (
        Building,
        Face,
        Opening,
        DpcPoint,
        CavityStretch,
        FloorZone,
        FinishZone,
        GroundPatch,
        Gully,
        Downpipe,
        Gutter,
        Soakaway,
        Chamber,
        Run,
        Fitting,
        WaterLevel,
        Fixture,
        Kerb,
        Foundation,
        Service,
        Reading,
        UnreadLength,
        Sample,
        ControlSet,
        Environment,
        Salt,
        Level,
        Trial,
        OpeningUp,
        AssetState,
        Account,
        Consent,
        Visit,
        Instrument,
        MeterReading,
        Event,
        StopMark,
        Photo,
    )
}
"""Every record kind by name; the site itself is declared in :mod:`geo.site.model`."""

ASSETS = ("gully", "downpipe", "soakaway", "chamber")
"""Kinds that stand at one point and that a run may join."""

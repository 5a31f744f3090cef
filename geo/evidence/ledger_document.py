"""The ledger as plain values for JSON: ids, words and sentences; points as judgement, never as chances."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from importlib import metadata
from typing import Any

from geo.evidence.ledger_kinds import Ledger, Place, StretchLedger
from geo.evidence.next_trial_kinds import Next, Option
from geo.evidence.support import Evidence, Support

DOCUMENT_ID = "urn:wallfoot:causes:1"
POINTS_ARE = "points are judgement, not calibrated, and no chance of anything; see evidence.toml"
DECIMALS = 4


def ledger_document(ledger: Ledger) -> dict[str, Any]:
    """Return a ledger as plain values; numbers that are not known are none."""
    return {
        "id": DOCUMENT_ID,
        "site": ledger.site_name,
        "data_version": ledger.data_version,
        "tool_version": metadata.version("wallfoot"),
        "points_are": POINTS_ARE,
        "unexplained_m": plain(ledger.unexplained_m),
        "stretches": [_stretch(each) for each in ledger.stretches],
        "places": [_place(each) for each in ledger.places],
        "next": _next(ledger.next),
        "trials": plain(ledger.trials),
        "weights_changed": plain(ledger.changed),
        "told": list(ledger.told),
    }


def plain(value: Any) -> Any:
    """Return a value JSON can hold: dataclasses as objects, NaN and infinity as none."""
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [plain(entry) for entry in value]
    if isinstance(value, float):
        return round(value, DECIMALS) if math.isfinite(value) else None
    return value


def _stretch(each: StretchLedger) -> dict[str, Any]:
    found = each.coverage
    return {
        "stretch_id": each.stretch_id,
        "ring_key": each.ring_key,
        "side": each.side,
        "group": each.group,
        "from_m": plain(each.from_m),
        "to_m": plain(each.to_m),
        "length_m": plain(each.length_m),
        "wall_type": each.wall_type,
        "said": each.said,
        "open": each.is_open,
        "causes": [_support(one, each) for one in each.supports],
        "pairs": plain(each.pairs),
        "questions": plain(each.questions),
        "coverage": {
            "said": found.said,
            "explained_m": plain(found.explained_m),
            "unexplained_m": plain(found.unexplained_m),
            "predicted_dry_m": plain(found.predicted_dry_m),
            "predicted_unread_m": plain(found.predicted_unread_m),
            "mimic_m": plain(found.mimic_m),
            "explained": plain(found.explained),
            "unexplained": plain(found.unexplained),
            "predicted_dry": plain(found.predicted_dry),
            "by": plain(dict(found.by)),
        },
        "leader": plain(each.leader),
        "route_leader": plain(each.route_leader),
        "decisions": plain(each.decisions),
        "next": _next(each.next),
    }


def _support(each: Support, stretch: StretchLedger) -> dict[str, Any]:
    return {
        "key": each.key,
        "cause": each.candidate.cause,
        "of_id": each.candidate.of_id,
        "kind": each.kind,
        "name": each.name,
        "word": each.word,
        "points_before_caps": plain(each.raw),
        "points": plain(each.points),
        "accepted": each.key in stretch.accepted,
        "accepted_by_hand": each.key in stretch.decided,
        "path": each.candidate.path,
        "path_ids": list(each.candidate.path_ids),
        "reach": plain(stretch.reaches.get(each.key, ())),
        "caps": plain(each.caps),
        "for": [_evidence(one) for one in each.speaks_for],
        "against": [_evidence(one) for one in each.speaks_against],
        "of_no_bearing": [_evidence(one) for one in each.beside],
        "proofs": plain(each.proofs),
        "told": list(each.told),
    }


def _evidence(each: Evidence) -> dict[str, Any]:
    return {
        "code": each.code,
        "label": each.label,
        "points": plain(each.points),
        "counted": each.counted,
        "because": each.because,
        "rests_on": list(each.rests_on),
    }


def _place(each: Place) -> dict[str, Any]:
    return {
        "place_id": each.place_id,
        "ring_key": each.ring_key,
        "side": each.side,
        "length_m": plain(each.length_m),
        "parts": plain(each.parts),
        "stretches": list(each.stretch_ids),
        "groups": list(each.groups),
        "seen_by": each.seen_by,
    }


def _next(each: Next) -> dict[str, Any]:
    return {
        "best": _option(each.best) if each.best is not None else None,
        "others": [_option(one) for one in each.others],
        "proof": _option(each.proof) if each.proof is not None else None,
        "proves": each.proves,
        "rivals": plain(each.rivals),
        "because": each.because,
    }


def _option(each: Option) -> dict[str, Any]:
    return {
        "test": each.test,
        "label": each.label,
        "at_id": each.at_id,
        "where": each.where,
        "stretches": list(each.stretch_ids),
        "splits": [{"stretch_id": name, "cause": key} for name, key in each.splits],
        "minutes": plain(each.minutes),
        "return_days": plain(each.return_days),
        "litres": plain(each.litres),
        "litres_known": each.litres_known,
        "rate_l_s": plain(each.rate_l_s),
        "colour": each.colour,
        "gain_bits": plain(each.gain_bits),
        "lacking": each.lacking,
        "first": each.first,
        "leave": each.leave,
        "barred": each.barred,
        "sentences": list(each.sentences),
    }

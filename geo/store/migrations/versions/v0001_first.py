"""The first layout: sites, saves, events and files, and one table for each kind of record then declared."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from geo.store import columns

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

RECORDS = {
    "building": (
        "role=subject label origin_easting_m: origin_northing_m: front_bearing_deg: hole_kinds "
        "storeys_count: built wall_type=not_known wall_thickness_m: wall_thickness_sigma_m: "
        "outline_sigma_m: floor_level_m: floor_level_sigma_m: note photo_ids"
    ),
    "face": (
        "building_id ring face exposure taped_length_m: taped_sigma_m: wall_type wall_thickness_m: "
        "wall_thickness_sigma_m: cavity_mm: note photo_ids"
    ),
    "opening": (
        "building_id ring chainage_from_m: chainage_to_m: evidence=seen opening_kind sill_level_m: "
        "head_level_m: level_sigma_m: state note photo_ids"
    ),
    "dpc_point": (
        "building_id ring leaf=outer chainage_m: level_m: level_sigma_m: state=continuous lap "
        "dpc_material evidence=seen note photo_ids"
    ),
    "cavity": (
        "building_id ring chainage_from_m: chainage_to_m: evidence=seen width_mm: base_level_m: "
        "debris_top_level_m: water_depth_mm: level_sigma_m: fill=not_known state=not_seen "
        "closed_at_from=not_known closed_at_to=not_known note photo_ids"
    ),
    "floor_zone": (
        "building_id floor_kind=not_known top_level_m: thickness_mm: soffit_level_m: level_sigma_m: "
        "membrane=not_known edge=not_known finish evidence=not_looked note photo_ids"
    ),
    "finish_zone": (
        "building_id ring chainage_from_m: chainage_to_m: evidence=seen side=inside finish height_from_m: "
        "height_to_m: floor_gap_mm: state note photo_ids"
    ),
    "ground_patch": "surface permeable=not_known laid_on edge evidence=seen note photo_ids",
    "gully": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: evidence=seen seen_on "
        "takes=not_known state=sound rim_level_m: lip_level_m: outlet_invert_level_m: level_sigma_m: "
        "pot_l: riser_mm: outlet_l_s: trapped=not_known note photo_ids"
    ),
    "downpipe": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: evidence=seen seen_on bore_mm: "
        "roof_m2: roof_pitch_deg: foot=not_known foot_level_m: level_sigma_m: into_id state=sound note "
        "photo_ids"
    ),
    "gutter": (
        "building_id ring chainage_from_m: chainage_to_m: evidence=seen profile=half_round width_mm: "
        "fall_mm: outlet_ids state=sound note photo_ids"
    ),
    "soakaway": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: evidence=seen seen_on "
        "cover_level_m: inlet_invert_level_m: level_sigma_m: length_m: width_m: depth_m: fill=not_known "
        "soakage_m_s: state=not_found note photo_ids"
    ),
    "chamber": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: evidence=seen seen_on "
        "cover_level_m: invert_level_m: level_sigma_m: length_mm: width_mm: sealed=not_known "
        "interceptor=not_known state=sound note photo_ids"
    ),
    "run": (
        "from_id to_id use=not_known owner=not_known bore_mm: pipe_material invert_up_level_m: "
        "invert_down_level_m: crest_level_m: level_sigma_m: state=not_traced passes_l_s: fault_at_m: "
        "from_evidence=assumed to_evidence=assumed note photo_ids"
    ),
    "fitting": "run_id fitting_kind at_m: passes_l_s: state=not_known evidence=seen seen_on note photo_ids",
    "water_level": "of_id level_m: level_sigma_m: condition evidence=seen taken_at note photo_ids",
    "fixture": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: evidence=seen seen_on "
        "fixture_kind bore_mm: level_m: level_sigma_m: into_id state=sound note photo_ids"
    ),
    "kerb": "kerb_kind=kerb top_level_m: level_sigma_m: evidence=seen note photo_ids",
    "foundation": (
        "building_id ring chainage_from_m: chainage_to_m: evidence=seen underside_level_m: level_sigma_m: "
        "material note photo_ids"
    ),
    "service": (
        "service_kind state=not_known loss_l_h: depth_m: depth_sigma_m: evidence=reported note photo_ids"
    ),
    "reading": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: method instrument material basis "
        "value repeats_count: height_m: level_m: depth_mm: control=no control_set_id surface_condition "
        "taken_at taken_by note photo_ids"
    ),
    "unread_length": (
        "building_id ring chainage_from_m: chainage_to_m: evidence=seen side=inside state=not_looked note "
        "photo_ids"
    ),
    "sample": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: material height_m: "
        "depth_from_mm: depth_to_mm: dish_g: wet_g: humid_g: dry_g: oven_c: mass_sigma_g: taken_at note "
        "photo_ids"
    ),
    "control_set": "method material place reason note photo_ids",
    "environment": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: place taken_at air_c: "
        "humidity_percent: surface_c: instrument note photo_ids"
    ),
    "salt": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: ion sample_id salt_method=strip "
        "salt_class content_percent: extract_mg_l: extract_ratio: material=other height_m: taken_at note "
        "photo_ids"
    ),
    "level": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: role of_id hardness=hard "
        "patch_id setup_id backsight_m: intermediate_sight_m: foresight_m: known_level_m: level_m: "
        "level_sigma_m: taken_at note photo_ids"
    ),
    "trial": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: trial_kind source_id volume_l: "
        "volume_sigma_l: bucket_l: bucket_s: rate_l_s: started_at stopped_at dye watched shown shown_id "
        "shown_after_s: height_m: rise_level_m: fall_mm: stopped_because note photo_ids"
    ),
    "opening_up": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: opening_up_kind consent_id "
        "size_mm: level_m: plaster_bottom_level_m: dpc_outer_level_m: dpc_inner_level_m: "
        "slab_top_level_m: soffit_level_m: level_sigma_m: membrane=not_known cavity_mm: "
        "debris_top_level_m: water_depth_mm: reach_left_m: reach_right_m: seen_left seen_right "
        "made_good=not_known opened_at note photo_ids"
    ),
    "asset_state": "of_id state evidence seen_on note photo_ids",
    "account": "speaker said about_from about_to reliability=first_hand note photo_ids",
    "consent": "consent_for given_by state given_on limits note photo_ids",
    "visit": (
        "arrived_at left_at purpose present weather rain_48h_mm: rain_7d_mm: rain_30d_mm: access=full "
        "hazards note photo_ids"
    ),
    "instrument": "principle scale checked_on check_expected: check_read: note photo_ids",
    "meter_reading": "service_id reading_m3: resolution_l: all_off=not_known taken_at note photo_ids",
    "event": "event_kind of_id began_at ended_at rain_mm: used_l: source note photo_ids",
    "stop_mark": "stop state marked_at note photo_ids",
    "photo": (
        "building_id ring position_by side=outside face chainage_m: offset_m: corner distance_m: "
        "tape_1_from tape_1_m: tape_2_from tape_2_m: tape_3_from tape_3_m: tape_4_from tape_4_m: "
        "tape_side bearing_deg: easting_m: northing_m: position_sigma_m: file of_id taken_at "
        "direction_deg: scale_in_frame=not_known sha256 note photo_ids"
    ),
}
"""Fields of each kind as they were declared: ``name:`` a number, ``name=word`` a text that begins so."""

GROWS_ONLY = ("event", "save")
REFUSAL = "what was recorded is never altered"


def upgrade() -> None:
    """Bring an empty database up to this step."""
    on_server = op.get_bind().dialect.name == "postgresql"
    if on_server:
        op.execute("create extension if not exists postgis")
    _sites_and_saves()
    _files()
    for kind, declared in RECORDS.items():
        _records(kind, declared.split())
    for table in GROWS_ONLY:
        _never_altered(table, on_server=on_server)


def downgrade() -> None:
    """Refuse: a step back would lose what was recorded since."""
    raise NotImplementedError("a store is never brought to an older layout; open a back-up instead")


def _site_id() -> sa.Column[str]:
    return sa.Column("site_id", sa.Text, sa.ForeignKey("site.site_id"), primary_key=True)


def _blob(*, optional: bool = False) -> sa.Column[str]:
    return sa.Column("sha256", sa.Text, sa.ForeignKey("blob.sha256"), nullable=optional)


def _sites_and_saves() -> None:
    op.create_table(
        "site",
        sa.Column("site_id", sa.Text, primary_key=True),
        sa.Column("owner", sa.Text, nullable=False, server_default=""),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("records_count", sa.Integer, nullable=False),
        sa.Column("created_at", columns.Moment, nullable=False),
        sa.Column("changed_at", columns.Moment, nullable=False),
        sa.Column("removed_at", columns.Moment),
        sa.Column("info", sa.Text, nullable=False),
        sa.Column("info_version", sa.Integer, nullable=False),
        sa.Column("ground", sa.Text),
        sa.Column("ground_version", sa.Integer),
    )
    op.create_index("ix_site_owner", "site", ["owner"])
    op.create_table(
        "save",
        _site_id(),
        sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("saved_at", columns.Moment, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("undoes", sa.Integer),
        sa.Column("token", sa.Text),
        sa.UniqueConstraint("site_id", "token", name="uq_save_site_id_token"),
    )
    op.create_table(
        "event",
        sa.Column("site_id", sa.Text, primary_key=True),
        sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("line", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("record_id", sa.Text, nullable=False),
        sa.Column("action", sa.Text, nullable=False),
        sa.Column("was_version", sa.Integer),
        sa.Column("was", sa.Text),
        sa.Column("was_shape", sa.LargeBinary),
        sa.Column("was_place", sa.Text),
        sa.Column("now", sa.Text),
        sa.Column("now_shape", sa.LargeBinary),
        sa.Column("now_place", sa.Text),
        sa.ForeignKeyConstraint(["site_id", "version"], ["save.site_id", "save.version"]),
    )
    op.create_index("ix_event_site_id_record_id_version", "event", ["site_id", "record_id", "version"])
    op.create_table(
        "latest",
        _site_id(),
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("there", sa.Boolean, nullable=False),
    )


def _files() -> None:
    op.create_table(
        "blob",
        sa.Column("sha256", sa.Text, primary_key=True),
        sa.Column("bytes_count", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "chunk",
        sa.Column("sha256", sa.Text, sa.ForeignKey("blob.sha256"), primary_key=True),
        sa.Column("line", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "file",
        _site_id(),
        sa.Column("name", sa.Text, primary_key=True),
        _blob(),
        sa.Column("version", sa.Integer, nullable=False),
    )
    op.create_table(
        "as_read",
        _site_id(),
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("digest", sa.LargeBinary, nullable=False),
        _blob(),
    )


def _records(kind: str, declared: list[str]) -> None:
    fields = []
    for field in declared:
        name, _, start = field.partition("=")
        if name.endswith(":"):
            fields.append(sa.Column(name[:-1], sa.Double))
        else:
            fields.append(sa.Column(name, sa.Text, nullable=False, server_default=start))
    table = f"record_{kind}"
    op.create_table(
        table,
        _site_id(),
        sa.Column("id", sa.Text, primary_key=True),
        *fields,
        sa.Column("row_version", sa.Integer, nullable=False),
        sa.Column("row_place", sa.Text, nullable=False),
        sa.Column("row_digest", sa.LargeBinary, nullable=False),
        sa.Column("shape", columns.Shape),
        *(sa.Column(edge, sa.Double) for edge in ("x0", "y0", "x1", "y1")),
    )
    op.create_index(f"ix_{table}_x0_y0", table, ["x0", "y0"])


def _never_altered(table: str, *, on_server: bool) -> None:
    """Let the database itself refuse to alter or delete what was recorded."""
    if on_server:
        op.execute(
            f"create or replace function {table}_grows_only() returns trigger language plpgsql as"
            f" $$ begin raise exception '{REFUSAL}'; end $$"
        )
        op.execute(
            f"create trigger {table}_grows_only before update or delete or truncate on {table}"
            f" for each statement execute function {table}_grows_only()"
        )
        return
    for change in ("update", "delete"):
        op.execute(
            f"create trigger {table}_no_{change} before {change} on {table}"
            f" begin select raise(abort, '{REFUSAL}'); end"
        )

"""The first schema: families, stations, sheets, boards, inspections and their results, reviews, handing over."""
# ruff: noqa: E501

import sqlalchemy as sa
from alembic import op

from vision.records.columns import Moment

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make all tables."""
    op.create_table('family',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('name', sa.String(length=60), nullable=False, comment='family name, as in family.toml'),
    sa.Column('revision', sa.Integer(), nullable=False, comment='counts the different contents seen under this name, from 1'),
    sa.Column('sha256', sa.String(length=64), nullable=False, comment='SHA-256 of `content`'),
    sa.Column('workmanship_class', sa.Integer(), nullable=False, comment='1, 2 or 3'),
    sa.Column('content', sa.Text(), nullable=False, comment='the whole family as JSON text'),
    sa.Column('added_at', Moment(), nullable=False, comment='when it was first used'),
    sa.CheckConstraint('revision >= 1', name=op.f('ck_family_revision')),
    sa.CheckConstraint('workmanship_class IN (1, 2, 3)', name=op.f('ck_family_workmanship_class')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_family')),
    sa.UniqueConstraint('name', 'revision', name=op.f('uq_family_name_revision')),
    sa.UniqueConstraint('name', 'sha256', name=op.f('uq_family_name_sha256')),
    comment='Board families, one row for every content that was ever graded with.'
    )
    op.create_table('limit_sheet',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('sha256', sa.String(length=64), nullable=False, comment='SHA-256 of `content`'),
    sa.Column('family_name', sa.String(length=60), nullable=False, comment='family that the sheet was made for; may be empty'),
    sa.Column('workmanship_class', sa.Integer(), nullable=False, comment='1, 2 or 3'),
    sa.Column('content', sa.Text(), nullable=False, comment='the sheet itself, TOML text as in limits.toml'),
    sa.Column('added_at', Moment(), nullable=False, comment='when it was first used'),
    sa.CheckConstraint('workmanship_class IN (1, 2, 3)', name=op.f('ck_limit_sheet_workmanship_class')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_limit_sheet')),
    sa.UniqueConstraint('sha256', name=op.f('uq_limit_sheet_sha256')),
    comment='Limit sheets, whole, so that every verdict can be replayed.'
    )
    op.create_table('process_record',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('recorded_at', Moment(), nullable=False, comment='when, UTC'),
    sa.Column('serial', sa.String(length=255), nullable=False, comment='board it belongs to; empty: none in particular'),
    sa.Column('pot', sa.String(length=60), nullable=False, comment='solder pot; may be empty'),
    sa.Column('nozzle', sa.String(length=60), nullable=False, comment='solder nozzle; may be empty'),
    sa.Column('step', sa.String(length=60), nullable=False, comment='step of the solder programme; may be empty'),
    sa.Column('quantity', sa.String(length=60), nullable=False, comment='what was logged, for example pot_temperature_c'),
    sa.Column('value', sa.Float(precision=53), nullable=True, comment='number logged; empty for an event'),
    sa.Column('note', sa.Text(), nullable=False, comment='text logged; may be empty'),
    sa.Column('source', sa.Text(), nullable=False, comment='file or device that it came from'),
    sa.CheckConstraint("quantity <> ''", name=op.f('ck_process_record_quantity')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_process_record')),
    sa.UniqueConstraint('recorded_at', 'serial', 'pot', 'nozzle', 'step', 'quantity', name=op.f('uq_process_record_recorded_at_serial_pot_nozzle_step_quantity')),
    comment='Process records: what the line logged, a row a value.'
    )
    op.create_index(op.f('ix_process_record_quantity_recorded_at'), 'process_record', ['quantity', 'recorded_at'], unique=False)
    op.create_index(op.f('ix_process_record_serial'), 'process_record', ['serial'], unique=False)
    op.create_table('station',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('name', sa.String(length=60), nullable=False, comment='station name, as in station.toml'),
    sa.Column('sha256', sa.String(length=64), nullable=False, comment='SHA-256 of `content`'),
    sa.Column('content', sa.Text(), nullable=False, comment="the station's state as JSON text: scale, lights, flat-fields"),
    sa.Column('added_at', Moment(), nullable=False, comment='when it was first used'),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_station')),
    sa.UniqueConstraint('name', 'sha256', name=op.f('uq_station_name_sha256')),
    comment='Camera stations, one row for every state that was ever graded with.'
    )
    op.create_table('unit',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('family_name', sa.String(length=60), nullable=False, comment='family of the board'),
    sa.Column('serial', sa.String(length=255), nullable=False, comment="serial number, from the picture's file name"),
    sa.Column('added_at', Moment(), nullable=False, comment='when it was first seen'),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_unit')),
    sa.UniqueConstraint('serial', 'family_name', name=op.f('uq_unit_serial_family_name')),
    comment='Boards, one row a serial number.'
    )
    op.create_table('family_chip',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('family_id', sa.Integer(), nullable=False, comment='the family revision'),
    sa.Column('ref', sa.String(length=60), nullable=False, comment='reference designator of the chip'),
    sa.Column('x_mm', sa.Float(precision=53), nullable=False, comment='place on the board, x to the right as in the CAD view'),
    sa.Column('y_mm', sa.Float(precision=53), nullable=False, comment='place on the board, y upward as in the CAD view'),
    sa.ForeignKeyConstraint(['family_id'], ['family.id'], name=op.f('fk_family_chip_family_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_family_chip')),
    sa.UniqueConstraint('family_id', 'ref', name=op.f('uq_family_chip_family_id_ref')),
    comment='Chips near joints of every family revision: what a chip result refers to.'
    )
    op.create_table('family_joint',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('family_id', sa.Integer(), nullable=False, comment='the family revision'),
    sa.Column('ref', sa.String(length=60), nullable=False, comment='reference designator of the component'),
    sa.Column('pin', sa.String(length=60), nullable=False, comment='pin of the component'),
    sa.Column('x_mm', sa.Float(precision=53), nullable=False, comment='place on the board, x to the right as in the CAD view'),
    sa.Column('y_mm', sa.Float(precision=53), nullable=False, comment='place on the board, y upward as in the CAD view'),
    sa.Column('land_kind', sa.String(length=60), nullable=False, comment='shape and size of the land in words'),
    sa.Column('net', sa.String(length=60), nullable=False, comment='net name; may be empty'),
    sa.Column('pot', sa.String(length=60), nullable=False, comment='solder pot; may be empty'),
    sa.Column('nozzle', sa.String(length=60), nullable=False, comment='solder nozzle; may be empty'),
    sa.Column('step', sa.String(length=60), nullable=False, comment='step of the solder programme; may be empty'),
    sa.ForeignKeyConstraint(['family_id'], ['family.id'], name=op.f('fk_family_joint_family_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_family_joint')),
    sa.UniqueConstraint('family_id', 'ref', 'pin', name=op.f('uq_family_joint_family_id_ref_pin')),
    comment='Joints of every family revision: what a joint result refers to.'
    )
    op.create_index(op.f('ix_family_joint_pot_id'), 'family_joint', ['pot', 'id'], unique=False)
    op.create_table('inspection',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('uid', sa.String(length=36), nullable=False, comment='UUID, the same in every copy of the database'),
    sa.Column('unit_id', sa.Integer(), nullable=False, comment='the board'),
    sa.Column('family_id', sa.Integer(), nullable=False, comment='family revision graded with'),
    sa.Column('station_id', sa.Integer(), nullable=False, comment='station state graded with'),
    sa.Column('sheet_id', sa.Integer(), nullable=False, comment='limit sheet graded with'),
    sa.Column('origin', sa.String(length=10), nullable=False, comment='pictures: measured from pictures; replay: stored measurements under another sheet'),
    sa.Column('source_id', sa.Integer(), nullable=True, comment="for a replay: the inspection that holds the measurements' origin"),
    sa.Column('started_at', Moment(), nullable=False, comment='when grading began, UTC'),
    sa.Column('saved_at', Moment(), nullable=False, comment='when it was written, UTC'),
    sa.Column('seconds', sa.Float(precision=53), nullable=False, comment='how long grading took, s'),
    sa.Column('verdict', sa.String(length=10), nullable=False, comment="the board's verdict: that of its worst joint or chip"),
    sa.Column('reason', sa.Text(), nullable=False, comment='why the board is ungraded; empty otherwise'),
    sa.Column('fault', sa.Boolean(), nullable=False, comment='true: the program failed on this board, so that the next run tries it again'),
    sa.Column('program_version', sa.String(length=60), nullable=False, comment='version of meniscope'),
    sa.Column('picture_key', sa.String(length=64), nullable=False, comment="SHA-256 over the pictures' own hashes"),
    sa.Column('job_key', sa.String(length=64), nullable=False, comment='SHA-256 over serial, family, station, sheet and pictures: what makes a grading the same'),
    sa.Column('run', sa.Integer(), nullable=False, comment='1 for the first grading of a job, higher when graded again'),
    sa.Column('superseded_by', sa.Integer(), nullable=True, comment='a later grading of the same pictures, which counts instead of this one'),
    sa.Column('joint_count', sa.Integer(), nullable=False, comment='joints in this inspection'),
    sa.Column('review_count', sa.Integer(), nullable=False, comment='joints and chips with verdict review'),
    sa.Column('reject_count', sa.Integer(), nullable=False, comment='joints and chips with verdict reject'),
    sa.Column('ungraded_count', sa.Integer(), nullable=False, comment='joints and chips with verdict ungraded'),
    sa.Column('open_findings', sa.Integer(), nullable=False, comment='findings that wait for a person; 0 = none waits'),
    sa.CheckConstraint("origin IN ('pictures', 'replay')", name=op.f('ck_inspection_origin')),
    sa.CheckConstraint("verdict IN ('accept', 'review', 'reject', 'ungraded')", name=op.f('ck_inspection_verdict')),
    sa.CheckConstraint('joint_count >= 0 AND review_count >= 0 AND reject_count >= 0 AND ungraded_count >= 0 AND open_findings >= 0', name=op.f('ck_inspection_counts')),
    sa.CheckConstraint('run >= 1', name=op.f('ck_inspection_run')),
    sa.CheckConstraint('seconds >= 0', name=op.f('ck_inspection_seconds')),
    sa.CheckConstraint('superseded_by <> id', name=op.f('ck_inspection_superseded_by')),
    sa.ForeignKeyConstraint(['family_id'], ['family.id'], name=op.f('fk_inspection_family_id')),
    sa.ForeignKeyConstraint(['sheet_id'], ['limit_sheet.id'], name=op.f('fk_inspection_sheet_id')),
    sa.ForeignKeyConstraint(['source_id'], ['inspection.id'], name=op.f('fk_inspection_source_id')),
    sa.ForeignKeyConstraint(['station_id'], ['station.id'], name=op.f('fk_inspection_station_id')),
    sa.ForeignKeyConstraint(['superseded_by'], ['inspection.id'], name=op.f('fk_inspection_superseded_by')),
    sa.ForeignKeyConstraint(['unit_id'], ['unit.id'], name=op.f('fk_inspection_unit_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_inspection')),
    sa.UniqueConstraint('job_key', 'run', name=op.f('uq_inspection_job_key_run')),
    sa.UniqueConstraint('uid', name=op.f('uq_inspection_uid')),
    comment='Inspections: one grading of one board, written in one transaction with all its results.'
    )
    op.create_index(op.f('ix_inspection_family_id_started_at'), 'inspection', ['family_id', 'started_at'], unique=False)
    op.create_index('ix_inspection_open', 'inspection', ['started_at'], unique=False, sqlite_where=sa.text('open_findings > 0 AND superseded_by IS NULL'), postgresql_where=sa.text('open_findings > 0 AND superseded_by IS NULL'))
    op.create_index(op.f('ix_inspection_started_at'), 'inspection', ['started_at'], unique=False)
    op.create_index(op.f('ix_inspection_superseded_by'), 'inspection', ['superseded_by'], unique=False)
    op.create_index(op.f('ix_inspection_unit_id_started_at'), 'inspection', ['unit_id', 'started_at'], unique=False)
    op.create_index('ix_inspection_verdict', 'inspection', ['verdict', 'started_at'], unique=False)
    op.create_table('chip_result',
    sa.Column('inspection_id', sa.Integer(), nullable=False, comment='the inspection'),
    sa.Column('chip_id', sa.Integer(), nullable=False, comment='the chip'),
    sa.Column('view', sa.String(length=60), nullable=False, comment='view that the chip was measured in'),
    sa.Column('verdict', sa.String(length=10), nullable=False, comment='accept, review, reject or ungraded'),
    sa.Column('chip_present', sa.Float(precision=53), nullable=True, comment='evidence that a chip lies in its place, 0 to 1; empty where it does not apply'),
    sa.Column('shift_along_mm', sa.Float(precision=53), nullable=True, comment="shift along the chip's long axis; empty where it does not apply"),
    sa.Column('shift_across_mm', sa.Float(precision=53), nullable=True, comment="shift across the chip's long axis; empty where it does not apply"),
    sa.Column('turn_deg', sa.Float(precision=53), nullable=True, comment='rotation against the nominal one, counter-clockwise; empty where it does not apply'),
    sa.Column('body_cover_pct', sa.Float(precision=53), nullable=True, comment='area seen as chip body against the nominal body area; empty where it does not apply'),
    sa.Column('reason', sa.Text(), nullable=False, comment='why the chip is ungraded; empty otherwise'),
    sa.CheckConstraint("verdict IN ('accept', 'review', 'reject', 'ungraded')", name=op.f('ck_chip_result_verdict')),
    sa.ForeignKeyConstraint(['chip_id'], ['family_chip.id'], name=op.f('fk_chip_result_chip_id')),
    sa.ForeignKeyConstraint(['inspection_id'], ['inspection.id'], name=op.f('fk_chip_result_inspection_id')),
    sa.PrimaryKeyConstraint('inspection_id', 'chip_id', name=op.f('pk_chip_result')),
    comment='Chip results: verdict and all measurements of one chip in one inspection.',
    sqlite_with_rowid=False
    )
    op.create_table('handover',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('inspection_id', sa.Integer(), nullable=False, comment='the inspection'),
    sa.Column('target', sa.Text(), nullable=False, comment='where it goes: - for standard output, a file or an address'),
    sa.Column('body', sa.Text(), nullable=False, comment='the line itself, JSON'),
    sa.Column('created_at', Moment(), nullable=False, comment='when it was written, UTC'),
    sa.Column('delivered_at', Moment(), nullable=True, comment='when it was delivered; empty: waits'),
    sa.Column('attempts', sa.Integer(), nullable=False, comment='how often delivery was tried'),
    sa.Column('problem', sa.Text(), nullable=False, comment='what went wrong at the last try; may be empty'),
    sa.CheckConstraint('attempts >= 0', name=op.f('ck_handover_attempts')),
    sa.ForeignKeyConstraint(['inspection_id'], ['inspection.id'], name=op.f('fk_handover_inspection_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_handover')),
    sa.UniqueConstraint('inspection_id', 'target', name=op.f('uq_handover_inspection_id_target')),
    comment='Disposition lines for the handling system, written with the inspection, delivered at least once.'
    )
    op.create_index('ix_handover_waiting', 'handover', ['target', 'id'], unique=False, sqlite_where=sa.text('delivered_at IS NULL'), postgresql_where=sa.text('delivered_at IS NULL'))
    op.create_table('joint_result',
    sa.Column('inspection_id', sa.Integer(), nullable=False, comment='the inspection'),
    sa.Column('joint_id', sa.Integer(), nullable=False, comment='the joint'),
    sa.Column('view', sa.String(length=60), nullable=False, comment='view that the joint was measured in'),
    sa.Column('verdict', sa.String(length=10), nullable=False, comment='accept, review, reject or ungraded'),
    sa.Column('coverage_deg', sa.Float(precision=53), nullable=True, comment='circumferential wetting: azimuth over which solder runs unbroken from the lead onto the land; empty where it does not apply'),
    sa.Column('largest_gap_deg', sa.Float(precision=53), nullable=True, comment='widest azimuth range without such solder; empty where it does not apply'),
    sa.Column('gap_azimuth_deg', sa.Float(precision=53), nullable=True, comment='where the middle of the widest gap lies, counter-clockwise from board x seen from the component side; empty where it does not apply'),
    sa.Column('land_cover_pct', sa.Float(precision=53), nullable=True, comment="share of the land's area, hole excluded, that is under solder; empty where it does not apply"),
    sa.Column('hole_open_pct', sa.Float(precision=53), nullable=True, comment="share of the hole's area, lead excluded, that is seen open; empty where it does not apply"),
    sa.Column('toe_radius_mm', sa.Float(precision=53), nullable=True, comment="mean distance of the toe from the hole's centre; empty where it does not apply"),
    sa.Column('wetting_angle_deg', sa.Float(precision=53), nullable=True, comment='slope of the solder at the toe on the land, median over azimuth; empty where it does not apply'),
    sa.Column('fillet_height_mm', sa.Float(precision=53), nullable=True, comment='height of the fillet at the lead above the land; empty where it does not apply'),
    sa.Column('convexity', sa.Float(precision=53), nullable=True, comment='(slope of the outer third - slope of the inner third) / their sum: -1 hollow, 0 straight, +1 domed; empty where it does not apply'),
    sa.Column('lead_visible', sa.Float(precision=53), nullable=True, comment="evidence that a lead's end is seen, 0 to 1; empty where it does not apply"),
    sa.Column('lead_offset_mm', sa.Float(precision=53), nullable=True, comment="distance of the lead's end from the hole's centre; empty where it does not apply"),
    sa.Column('lead_size_mm', sa.Float(precision=53), nullable=True, comment="diameter of a disc as large as the lead's end; empty where it does not apply"),
    sa.Column('bridge_width_mm', sa.Float(precision=53), nullable=True, comment='narrowest width of solder that joins the joint to a neighbour of another net, 0 for none; empty where it does not apply'),
    sa.Column('ball_count', sa.Float(precision=53), nullable=True, comment='loose solder balls that belong to this joint; empty where it does not apply'),
    sa.Column('ball_diameter_mm', sa.Float(precision=53), nullable=True, comment='diameter of the largest of them, 0 for none; empty where it does not apply'),
    sa.Column('pit_diameter_mm', sa.Float(precision=53), nullable=True, comment='diameter of the largest pit in the fillet, 0 for none; empty where it does not apply'),
    sa.Column('projection_mm', sa.Float(precision=53), nullable=True, comment="how far a spike of solder reaches sideways from the lead's edge or beyond the toe, 0 for none; empty where it does not apply"),
    sa.Column('residue_pct', sa.Float(precision=53), nullable=True, comment='share of the window that flux residue seems to veil; empty where it does not apply'),
    sa.Column('sharpness', sa.Float(precision=53), nullable=True, comment='edge sharpness against the sharpest that the scale allows, 0 to 1; empty where it does not apply'),
    sa.Column('saturated_pct', sa.Float(precision=53), nullable=True, comment='share of the window where some channel is saturated; empty where it does not apply'),
    sa.Column('uncertainty', sa.Text(), nullable=False, comment='standard uncertainties, JSON object from measurement to value in the same unit; may be empty'),
    sa.Column('reason', sa.Text(), nullable=False, comment='why the joint is ungraded; empty otherwise'),
    sa.CheckConstraint("verdict IN ('accept', 'review', 'reject', 'ungraded')", name=op.f('ck_joint_result_verdict')),
    sa.ForeignKeyConstraint(['inspection_id'], ['inspection.id'], name=op.f('fk_joint_result_inspection_id')),
    sa.ForeignKeyConstraint(['joint_id'], ['family_joint.id'], name=op.f('fk_joint_result_joint_id')),
    sa.PrimaryKeyConstraint('inspection_id', 'joint_id', name=op.f('pk_joint_result')),
    comment='Joint results: verdict and all measurements of one joint in one inspection.',
    sqlite_with_rowid=False
    )
    op.create_table('picture',
    sa.Column('inspection_id', sa.Integer(), nullable=False, comment='the inspection'),
    sa.Column('view', sa.String(length=60), nullable=False, comment='view name'),
    sa.Column('exposure', sa.String(length=60), nullable=False, comment='exposure name; may be empty'),
    sa.Column('path', sa.Text(), nullable=False, comment='where the file was'),
    sa.Column('sha256', sa.String(length=64), nullable=False, comment="SHA-256 of the file's bytes; empty: could not be read"),
    sa.ForeignKeyConstraint(['inspection_id'], ['inspection.id'], name=op.f('fk_picture_inspection_id')),
    sa.PrimaryKeyConstraint('inspection_id', 'view', 'exposure', name=op.f('pk_picture')),
    comment='Picture files that an inspection was made from.'
    )
    op.create_index(op.f('ix_picture_sha256'), 'picture', ['sha256'], unique=False)
    op.create_table('registration',
    sa.Column('inspection_id', sa.Integer(), nullable=False, comment='the inspection'),
    sa.Column('view', sa.String(length=60), nullable=False, comment='view name'),
    sa.Column('offset_x_mm', sa.Float(precision=53), nullable=False, comment='offset from the nominal place along board x'),
    sa.Column('offset_y_mm', sa.Float(precision=53), nullable=False, comment='offset from the nominal place along board y'),
    sa.Column('rotation_deg', sa.Float(precision=53), nullable=False, comment='rotation against the nominal one'),
    sa.Column('scale', sa.Float(precision=53), nullable=False, comment="scale against the station's, 1 = equal"),
    sa.Column('residual_mm', sa.Float(precision=53), nullable=True, comment='RMS distance of the marks from their fitted place'),
    sa.Column('marks', sa.Integer(), nullable=False, comment='marks used: fiducials, or lands as fallback'),
    sa.Column('method', sa.String(length=20), nullable=False, comment='fiducials or lands'),
    sa.ForeignKeyConstraint(['inspection_id'], ['inspection.id'], name=op.f('fk_registration_inspection_id')),
    sa.PrimaryKeyConstraint('inspection_id', 'view', name=op.f('pk_registration')),
    comment='Where the board lay in each view of an inspection.'
    )
    op.create_table('finding',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('inspection_id', sa.Integer(), nullable=False, comment='the inspection'),
    sa.Column('joint_id', sa.Integer(), nullable=True, comment='the joint; empty for a chip'),
    sa.Column('chip_id', sa.Integer(), nullable=True, comment='the chip; empty for a joint'),
    sa.Column('finding', sa.String(length=40), nullable=False, comment="what is wrong, a finding's name"),
    sa.Column('verdict', sa.String(length=10), nullable=False, comment='reject, review (within the guard band) or indicator (recorded, verdict unchanged)'),
    sa.Column('measure', sa.String(length=40), nullable=False, comment='measurement that decided it'),
    sa.Column('value', sa.Float(precision=53), nullable=False, comment='measured value'),
    sa.Column('limit_value', sa.Float(precision=53), nullable=False, comment='limit that it was held against'),
    sa.Column('side', sa.String(length=5), nullable=False, comment='below or above: where the value must lie for the finding'),
    sa.Column('guard', sa.Float(precision=53), nullable=False, comment='width of the guard band on the good side of the limit'),
    sa.Column('unit', sa.String(length=10), nullable=False, comment='unit of value, limit and guard; empty: dimensionless'),
    sa.Column('source', sa.Text(), nullable=False, comment='where the rule comes from'),
    sa.Column('rule', sa.Integer(), nullable=False, comment='index of the rule in the limit sheet, from 0'),
    sa.Column('x_mm', sa.Float(precision=53), nullable=False, comment='place on the board, x to the right as in the CAD view'),
    sa.Column('y_mm', sa.Float(precision=53), nullable=False, comment='place on the board, y upward as in the CAD view'),
    sa.Column('other', sa.String(length=130), nullable=False, comment='for a bridge: the neighbour, REF.PIN; may be empty'),
    sa.CheckConstraint("side IN ('below', 'above')", name=op.f('ck_finding_side')),
    sa.CheckConstraint("verdict IN ('reject', 'review', 'indicator')", name=op.f('ck_finding_verdict')),
    sa.CheckConstraint('(joint_id IS NULL) <> (chip_id IS NULL)', name=op.f('ck_finding_place')),
    sa.CheckConstraint('rule >= 0', name=op.f('ck_finding_rule')),
    sa.ForeignKeyConstraint(['inspection_id', 'chip_id'], ['chip_result.inspection_id', 'chip_result.chip_id'], name=op.f('fk_finding_inspection_id_chip_id')),
    sa.ForeignKeyConstraint(['inspection_id', 'joint_id'], ['joint_result.inspection_id', 'joint_result.joint_id'], name=op.f('fk_finding_inspection_id_joint_id')),
    sa.ForeignKeyConstraint(['inspection_id'], ['inspection.id'], name=op.f('fk_finding_inspection_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_finding')),
    sa.UniqueConstraint('inspection_id', 'chip_id', 'finding', name=op.f('uq_finding_inspection_id_chip_id_finding')),
    sa.UniqueConstraint('inspection_id', 'joint_id', 'finding', name=op.f('uq_finding_inspection_id_joint_id_finding')),
    comment='Findings: what was wrong, with the measured value, the limit and the place.'
    )
    op.create_index(op.f('ix_finding_finding_inspection_id'), 'finding', ['finding', 'inspection_id'], unique=False)
    op.create_index(op.f('ix_finding_joint_id'), 'finding', ['joint_id'], unique=False)
    op.create_table('repair',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('inspection_id', sa.Integer(), nullable=False, comment='inspection that led to it'),
    sa.Column('joint_id', sa.Integer(), nullable=True, comment='the joint; empty for a chip'),
    sa.Column('chip_id', sa.Integer(), nullable=True, comment='the chip; empty for a joint'),
    sa.Column('finding_id', sa.Integer(), nullable=True, comment='finding mended; may be empty'),
    sa.Column('action', sa.Text(), nullable=False, comment='what was done'),
    sa.Column('repairer', sa.String(length=60), nullable=False, comment='who did it'),
    sa.Column('repaired_at', Moment(), nullable=False, comment='when, UTC'),
    sa.Column('note', sa.Text(), nullable=False, comment='free text; may be empty'),
    sa.CheckConstraint("repairer <> ''", name=op.f('ck_repair_repairer')),
    sa.CheckConstraint('(joint_id IS NULL) <> (chip_id IS NULL)', name=op.f('ck_repair_place')),
    sa.ForeignKeyConstraint(['chip_id'], ['family_chip.id'], name=op.f('fk_repair_chip_id')),
    sa.ForeignKeyConstraint(['finding_id'], ['finding.id'], name=op.f('fk_repair_finding_id')),
    sa.ForeignKeyConstraint(['inspection_id'], ['inspection.id'], name=op.f('fk_repair_inspection_id')),
    sa.ForeignKeyConstraint(['joint_id'], ['family_joint.id'], name=op.f('fk_repair_joint_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_repair')),
    comment='Repairs: what was mended, by whom and when.'
    )
    op.create_index(op.f('ix_repair_inspection_id'), 'repair', ['inspection_id'], unique=False)
    op.create_index(op.f('ix_repair_repaired_at'), 'repair', ['repaired_at'], unique=False)
    op.create_table('review',
    sa.Column('id', sa.Integer(), nullable=False, comment='key'),
    sa.Column('inspection_id', sa.Integer(), nullable=False, comment='the inspection'),
    sa.Column('joint_id', sa.Integer(), nullable=True, comment='the joint; empty for a chip'),
    sa.Column('chip_id', sa.Integer(), nullable=True, comment='the chip; empty for a joint'),
    sa.Column('finding_id', sa.Integer(), nullable=True, comment='the finding reviewed; empty for an escape, which has none'),
    sa.Column('call', sa.String(length=12), nullable=False, comment='real, false_call, cannot_tell, or escape (a defect that the program did not find)'),
    sa.Column('corrected', sa.String(length=40), nullable=False, comment='the finding as the person sees it, if another; may be empty'),
    sa.Column('reviewer', sa.String(length=60), nullable=False, comment='who decided'),
    sa.Column('reviewed_at', Moment(), nullable=False, comment='when, UTC'),
    sa.Column('blind', sa.Boolean(), nullable=False, comment="true: decided without seeing the program's opinion"),
    sa.Column('note', sa.Text(), nullable=False, comment='free text; may be empty'),
    sa.Column('withdrawn_at', Moment(), nullable=True, comment='when the person took it back; empty: stands'),
    sa.CheckConstraint("(call = 'escape') = (finding_id IS NULL)", name=op.f('ck_review_finding_id')),
    sa.CheckConstraint("call IN ('real', 'false_call', 'cannot_tell', 'escape')", name=op.f('ck_review_call')),
    sa.CheckConstraint("reviewer <> ''", name=op.f('ck_review_reviewer')),
    sa.CheckConstraint('(joint_id IS NULL) <> (chip_id IS NULL)', name=op.f('ck_review_place')),
    sa.ForeignKeyConstraint(['chip_id'], ['family_chip.id'], name=op.f('fk_review_chip_id')),
    sa.ForeignKeyConstraint(['finding_id'], ['finding.id'], name=op.f('fk_review_finding_id')),
    sa.ForeignKeyConstraint(['inspection_id'], ['inspection.id'], name=op.f('fk_review_inspection_id')),
    sa.ForeignKeyConstraint(['joint_id'], ['family_joint.id'], name=op.f('fk_review_joint_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_review')),
    comment='Reviews: what people decided about findings.'
    )
    op.create_index(op.f('ix_review_finding_id'), 'review', ['finding_id'], unique=False)
    op.create_index(op.f('ix_review_inspection_id'), 'review', ['inspection_id'], unique=False)
    op.create_index(op.f('ix_review_reviewed_at'), 'review', ['reviewed_at'], unique=False)
    op.create_index('uq_review_standing', 'review', ['finding_id'], unique=True, sqlite_where=sa.text('withdrawn_at IS NULL AND NOT blind'), postgresql_where=sa.text('withdrawn_at IS NULL AND NOT blind'))


def downgrade() -> None:
    """Drop all tables with what they hold."""
    # Those of the reviewer's page stay when schema 0003 is taken back; their rows speak of what is dropped here.
    for name in ('review_audit', 'review_settlement', 'review_control', 'review_person'):
        op.execute(f'DROP TABLE IF EXISTS {name}')
    op.drop_index('uq_review_standing', table_name='review', sqlite_where=sa.text('withdrawn_at IS NULL AND NOT blind'), postgresql_where=sa.text('withdrawn_at IS NULL AND NOT blind'))
    op.drop_index(op.f('ix_review_reviewed_at'), table_name='review')
    op.drop_index(op.f('ix_review_inspection_id'), table_name='review')
    op.drop_index(op.f('ix_review_finding_id'), table_name='review')
    op.drop_table('review')
    op.drop_index(op.f('ix_repair_repaired_at'), table_name='repair')
    op.drop_index(op.f('ix_repair_inspection_id'), table_name='repair')
    op.drop_table('repair')
    op.drop_index(op.f('ix_finding_joint_id'), table_name='finding')
    op.drop_index(op.f('ix_finding_finding_inspection_id'), table_name='finding')
    op.drop_table('finding')
    op.drop_table('registration')
    op.drop_index(op.f('ix_picture_sha256'), table_name='picture')
    op.drop_table('picture')
    op.drop_table('joint_result')
    op.drop_index('ix_handover_waiting', table_name='handover', sqlite_where=sa.text('delivered_at IS NULL'), postgresql_where=sa.text('delivered_at IS NULL'))
    op.drop_table('handover')
    op.drop_table('chip_result')
    op.drop_index('ix_inspection_verdict', table_name='inspection')
    op.drop_index(op.f('ix_inspection_unit_id_started_at'), table_name='inspection')
    op.drop_index(op.f('ix_inspection_superseded_by'), table_name='inspection')
    op.drop_index(op.f('ix_inspection_started_at'), table_name='inspection')
    op.drop_index('ix_inspection_open', table_name='inspection', sqlite_where=sa.text('open_findings > 0 AND superseded_by IS NULL'), postgresql_where=sa.text('open_findings > 0 AND superseded_by IS NULL'))
    op.drop_index(op.f('ix_inspection_family_id_started_at'), table_name='inspection')
    op.drop_table('inspection')
    op.drop_index(op.f('ix_family_joint_pot_id'), table_name='family_joint')
    op.drop_table('family_joint')
    op.drop_table('family_chip')
    op.drop_table('unit')
    op.drop_table('station')
    op.drop_index(op.f('ix_process_record_serial'), table_name='process_record')
    op.drop_index(op.f('ix_process_record_quantity_recorded_at'), table_name='process_record')
    op.drop_table('process_record')
    op.drop_table('limit_sheet')
    op.drop_table('family')

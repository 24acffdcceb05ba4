-- name: check_elbow_radius
-- answers: Which units have an elbow radius that the code's table does not know?
-- grain: one row per unit
-- inputs: stg_units
-- params: none (variables as_of, as_loaded)
-- choice: Enter 4, 6, 8 or 10 in, or leave it blank for a mitred elbow of 4 in.
-- trap: Lengths are compared to the nearest millimetre.
-- source: residential code, table M1502.4.5.1 (2015, 2018), M1502.4.6.1 (2021, 2024)
select
    'check_elbow_radius' as "check",
    'an elbow radius is not 4, 6, 8 or 10 in; its equivalent length is not in the table' as statement,
    'enter 4, 6, 8 or 10 in, or leave it blank' as remedy,
    'units' as "table",
    unit.unit_id as record_id,
    'radius ' || round(unit.elbow_radius_m * 1000) || ' mm' as detail
from stg_units as unit
where unit.elbow_radius_m is not null
    and not list_contains([102, 152, 203, 254], cast(round(unit.elbow_radius_m * 1000) as integer))

-- name: vents_unit_runs
-- answers: How is each unit's exhaust run described?
-- grain: one row per unit
-- inputs: stg_units
-- params: none
-- choice: As recorded; what a description means is worked out once for all units that share it.
-- trap: Descriptions are joined by all six columns, blanks too.
-- source: methods page, "Equivalent length"
-- adds: rows; order unit_id
select
    unit.unit_id,
    unit.duct_length_m,
    unit.elbows_90,
    unit.elbows_45,
    unit.elbow_radius_m,
    unit.duct_diameter_m,
    unit.duct_limit_m
from stg_units as unit
order by unit.unit_id

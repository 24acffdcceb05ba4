-- name: vents_runs
-- answers: How many units have an exhaust run that is described like this?
-- grain: one row per description of a run; blanks make a description like any other
-- inputs: stg_units
-- params: none
-- choice: Units with and without a job.
-- trap: A blank is not zero elbows and no length of zero.
-- source: methods page, "Equivalent length"
-- adds: sums units; order duct_length_m, elbows_90, elbows_45, elbow_radius_m, duct_diameter_m, duct_limit_m
select
    unit.duct_length_m,
    unit.elbows_90,
    unit.elbows_45,
    unit.elbow_radius_m,
    unit.duct_diameter_m,
    unit.duct_limit_m,
    count(*) as units
from stg_units as unit
group by all
order by duct_length_m, elbows_90, elbows_45, elbow_radius_m, duct_diameter_m, duct_limit_m

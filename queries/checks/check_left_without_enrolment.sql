-- name: check_left_without_enrolment
-- answers: Which units left without ever having been enrolled?
-- grain: one row per unit
-- inputs: stg_units
-- params: none (variables as_of, as_loaded)
-- choice: Add enrolled_on if every job on the unit was recorded from some day on.
-- trap: Nothing is wrong with it: on a call-out unit left_on ends its lives.
-- source: contract, section 1
select
    'check_left_without_enrolment' as "check",
    'a unit has left_on and no enrolled_on; it is a call-out unit whose lives end there' as statement,
    'add enrolled_on if every job on the unit was recorded from some day on' as remedy,
    'units' as "table",
    unit.unit_id as record_id,
    'left on ' || unit.left_on as detail
from stg_units as unit
where unit.left_on is not null
    and unit.enrolled_on is null

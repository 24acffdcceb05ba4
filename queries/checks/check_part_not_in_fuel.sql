-- name: check_part_not_in_fuel
-- answers: Which lines name a part that a unit of that fuel does not have?
-- grain: one row per part line
-- inputs: stg_lines, stg_jobs, stg_units, stg_parts (the vocabulary)
-- params: none (variables as_of, as_loaded)
-- choice: Check the unit's fuel, or the part; a part of your own goes into the vocabulary file.
-- trap: A unit whose fuel was left blank counts as electric.
-- source: vocabulary, fuels of each part
with lines as (
    select line.job_id, line.part, unit.unit_id, unit.fuel
    from stg_lines as line
    inner join stg_jobs as job on job.job_id = line.job_id
    inner join stg_units as unit on unit.unit_id = job.unit_id
)

select
    'check_part_not_in_fuel' as "check",
    'a line names the part ' || line.part || ' in a unit whose fuel is ' || line.fuel
    || ', which has none' as statement,
    'check the fuel of the unit, or the part' as remedy,
    'lines' as "table",
    line.job_id as record_id,
    line.part || ', ' || line.fuel as detail
from lines as line
inner join stg_parts as known on known.part = line.part
where not list_contains(known.fuels, line.fuel)

-- name: check_jobs_without_unit
-- answers: Which visits belong to no unit?
-- grain: one row per visit
-- inputs: stg_jobs, raw.units
-- params: none (variables as_of, as_loaded)
-- choice: Load the units table, or the jobs again.
-- trap: A load makes a call-out unit for such a visit; rows here mean that the unit went afterwards.
-- source: contract, section 1
with known_units as (
    select distinct record.unit_id from raw.units as record
)

select
    'check_jobs_without_unit' as "check",
    'a visit names a unit that is not in the warehouse' as statement,
    'load the units table, or the jobs again' as remedy,
    'jobs' as "table",
    job.job_id as record_id,
    'visited on ' || job.visited_on as detail
from stg_jobs as job
left join known_units as unit on unit.unit_id = job.unit_id
where unit.unit_id is null

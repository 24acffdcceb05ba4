-- name: check_lines_without_job
-- answers: Which part lines belong to no visit?
-- grain: one row per part line
-- inputs: stg_lines, raw.jobs
-- params: none (variables as_of, as_loaded)
-- choice: Load the jobs table that names these visits.
-- trap: A load lets such lines wait in quarantine; rows here mean that the visit went afterwards.
-- source: contract, section 1
with known_jobs as (
    select distinct record.job_id from raw.jobs as record
)

select
    'check_lines_without_job' as "check",
    'a part line names a visit that is not in the warehouse' as statement,
    'load the jobs table that names these visits' as remedy,
    'lines' as "table",
    line.job_id as record_id,
    line.part || ', position ' || line.position as detail
from stg_lines as line
left join known_jobs as job on job.job_id = line.job_id
where job.job_id is null

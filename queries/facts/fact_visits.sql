-- name: fact_visits
-- answers: Which visits were made to the units of this session?
-- grain: one row per visit; its rowid is the visit's number
-- inputs: stg_jobs, fact_units
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: A visit's number is its rowid: row_number() would need a pass of its own.
-- trap: The numbers follow no order; visits of a day are ordered by job_id.
-- source: methods page, "Episodes"
-- adds: by unit
select
    job.job_id,
    unit.unit_number,
    job.visited_on,
    job.kind = 'call_out' as called,
    job.kind = 'maintenance' as maintained,
    job.completed,
    job.continues
from stg_jobs as job
inner join fact_units as unit on unit.unit_id = job.unit_id

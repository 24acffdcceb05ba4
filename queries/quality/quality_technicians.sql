-- name: quality_technicians
-- answers: Do technicians find different things, and test differently?
-- grain: one row per part and technician
-- inputs: stg_jobs, stg_lines
-- params: none
-- choice: Call-outs only; a part tested twice on a job counts once, as failed if any line says so.
-- trap: Technicians serve different territories: a difference is a question, not a fault.
-- source: common practice, no source
with found as (
    select
        line.job_id,
        line.part,
        coalesce(line.position, 1) as position,
        any_value(job.technician_id) as technician_id,
        bool_or(line.finding = 'failed') as failed,
        bool_and(line.finding = 'untested') as untested
    from stg_lines as line
    inner join stg_jobs as job on job.job_id = line.job_id
    where job.kind = 'call_out' and job.technician_id is not null
    group by all
)

select
    part,
    technician_id,
    count(*) as parts,
    count(*) filter (where failed) as failed,
    count(*) filter (where untested) as untested
from found
group by part, technician_id
order by part, technician_id

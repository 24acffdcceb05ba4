-- name: check_visit_after_leaving
-- answers: Which visits came after their unit had left?
-- grain: one row per visit
-- inputs: stg_jobs, stg_units, stg_periods
-- params: none (variables as_of, as_loaded)
-- choice: Check left_on, or add a further span in the periods table.
-- trap: A visit on the last day is inside; one before the contract is a call-out and no fault.
-- source: contract, section 1
with later_spans as (
    select period.unit_id, period.enrolled_on, coalesce(period.left_on, date '9999-12-31') as left_on
    from stg_periods as period
)

select
    'check_visit_after_leaving' as "check",
    'a visit came after its unit had left; it counts in no life' as statement,
    'check left_on, or add a further span in the periods table' as remedy,
    'jobs' as "table",
    job.job_id as record_id,
    'visited on ' || job.visited_on || ', left on ' || unit.left_on as detail
from stg_jobs as job
inner join stg_units as unit on unit.unit_id = job.unit_id
where job.visited_on > unit.left_on
    and not exists (
        select 1
        from later_spans as span
        where span.unit_id = job.unit_id
            and job.visited_on between span.enrolled_on and span.left_on
    )

-- name: check_outside_records
-- answers: Which visits and cleanings lie before the stated start of the records?
-- grain: one row per visit or cleaning
-- inputs: stg_clock, stg_jobs, stg_cleanings
-- params: none (variables as_of, as_loaded)
-- choice: State an earlier records_from in the mapping if every job since then is here.
-- trap: They are kept as history (births, cleanings) but nobody is watched before the start.
-- source: contract, section 1
with dated as (
    select 'jobs' as "table", job.job_id as record_id, job.visited_on as dated_on
    from stg_jobs as job
    union all
    select 'cleanings', cleaning.unit_id, cleaning.cleaned_on
    from stg_cleanings as cleaning
)

select
    'check_outside_records' as "check",
    'a visit or cleaning lies before the start of the records' as statement,
    'state an earlier records_from in the mapping if every job since then is here' as remedy,
    dated."table",
    dated.record_id,
    'on ' || dated.dated_on || ', records from ' || clock.records_from as detail
from dated
cross join stg_clock as clock
where dated.dated_on < clock.records_from
    and getvariable('since') is null

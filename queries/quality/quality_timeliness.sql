-- name: quality_timeliness
-- answers: How late do records come, and are there months without any?
-- grain: one row
-- inputs: stg_jobs, raw.batches, stg_clock
-- params: none
-- choice: Months between the first and the last visit; the first load of a table counts.
-- trap: An empty month inside the records is more often a lost export than a quiet month.
-- source: common practice, no source
with months as (
    select
        min(visited_on) as first_visit,
        max(visited_on) as last_visit,
        count(distinct date_trunc('month', visited_on)) as months_with_visits
    from stg_jobs
)

select
    month.first_visit,
    month.last_visit,
    datediff('month', month.first_visit, month.last_visit) + 1 as months,
    month.months_with_visits,
    (select clock.as_of from stg_clock as clock) as as_of,
    (select max(batch.loaded_at) from raw.batches as batch where batch."table" = 'jobs') as loaded_at
from months as month

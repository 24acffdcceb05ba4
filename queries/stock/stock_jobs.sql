-- name: stock_jobs
-- answers: What did the jobs of past cycles need, and was each to be expected from the roster?
-- grain: one row per job
-- inputs: fact_demand, fact_lives, fact_spans
-- params: $starts (list of dates: the last day before each cycle), $days (length of a cycle)
-- choice: A job is expected when the part that led to it was in service and watched as the cycle
--    began; the others are newcomers' (a unit not yet in the records, a part fitted since, a second
--    fault of the cycle). Led by no part: the unit was watched.
-- trap: Half of a roster may never have called, and many of next year's jobs come from units that
--    nobody knows yet.
-- source: methods page, "Stock"
-- adds: rows; order opened_on, episode_id
with cycles as (
    select
        cast(start.landmark_on as date) as landmark_on,
        cast(start.landmark_on as date) + cast($days as integer) as last_on
    from (select unnest($starts) as landmark_on) as start
),

jobs as (
    select job.*, cycle.landmark_on
    from fact_demand as job
    inner join cycles as cycle
        on job.opened_on > cycle.landmark_on and job.opened_on <= cycle.last_on
    where job.van_id is not null
)

select
    job.episode_id,
    job.unit_id,
    job.van_id,
    job.family,
    job.fuel,
    job.opened_on,
    job.landmark_on,
    job.needs,
    job.failed,
    job.lead,
    case when job.lead = '' then exists (
        select 1
        from fact_spans as span
        where span.unit_id = job.unit_id
            and span.starts_on <= job.landmark_on
            and span.ends_on > job.landmark_on
    ) else exists (
        select 1
        from fact_lives as life
        where life.unit_id = job.unit_id
            and life.part = job.lead
            and life.position = job.lead_position
            and life.enters_on <= job.landmark_on
            and life.exits_on > job.landmark_on
    ) end as expected
from jobs as job
order by job.opened_on, job.episode_id

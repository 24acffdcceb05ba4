-- name: pairs_tests
-- answers: When a part passed a test and was kept, did it fail soon after?
-- grain: one row per part, test and passed visit
-- inputs: fact_findings, fact_lives, fact_spans, stg_units
-- params: none
-- choice: The part stayed in and nothing else than the test vouches for it; followed to its next
--    failure, its next replacement, or the end of watching.
-- trap: A part that passes cold may be stuck closed all the same.
-- source: methods page, "Escape rate of a test"
-- adds: rows; order part, test, unit_id
with passed as (
    select
        finding.unit_id,
        finding.job_id,
        finding.episode_id,
        finding.part,
        finding.position,
        finding.visited_on,
        case when finding.passed_hot then 'hot_cycle' else 'cold_continuity' end as test
    from fact_findings as finding
    where finding.action = 'kept'
        and not finding.failed
        and (finding.passed_hot or finding.passed_cold)
),

next_event as (
    select
        passed.job_id,
        passed.part,
        passed.position,
        min(later.visited_on) as next_on,
        arg_min(later.failed, later.visited_on) as failed
    from passed
    inner join fact_findings as later
        on later.unit_id = passed.unit_id
        and later.part = passed.part
        and later.position = passed.position
        and later.visited_on > passed.visited_on
        and (later.failed or later.replaced)
    group by passed.job_id, passed.part, passed.position
),

births as (
    select passed.job_id, passed.part, passed.position, max(life.born_on) as born_on
    from passed
    inner join fact_lives as life
        on life.unit_id = passed.unit_id
        and life.part = passed.part
        and life.position = passed.position
        and life.born_on <= passed.visited_on
    group by passed.job_id, passed.part, passed.position
)

select
    passed.part,
    passed.test,
    unit.family,
    coalesce(passed.visited_on - birth.born_on, passed.visited_on - unit.installed_on) as age_days,
    passed.unit_id,
    coalesce(unit.building_id, passed.unit_id) as cluster_id,
    least(coalesce(next_event.next_on, span.ends_on), span.ends_on) - passed.visited_on as followed_days,
    coalesce(next_event.next_on <= span.ends_on and next_event.failed, false) as failed
from passed
inner join fact_spans as span
    on span.unit_id = passed.unit_id
    and passed.visited_on between span.starts_on and span.ends_on
inner join stg_units as unit on unit.unit_id = passed.unit_id
left join next_event
    on next_event.job_id = passed.job_id
    and next_event.part = passed.part
    and next_event.position = passed.position
left join births as birth
    on birth.job_id = passed.job_id
    and birth.part = passed.part
    and birth.position = passed.position
order by passed.part, passed.test, passed.unit_id, passed.job_id

-- name: policy_practice
-- answers: What do technicians do about the partner today: when the first part failed, and on other visits?
-- grain: one row: counts over visits, and the days watched
-- inputs: fact_episode_parts, fact_spans
-- params: $first, $second
-- choice: Only units under contract, whose visits are all known. A partner replaced in an episode in
--    which it was not found failed was replaced out of habit.
-- trap: An episode in which the first part did not fail is a check of the partner only if it was
--    tested hot.
-- source: methods page, "Policy"
-- adds: sums jobs, tested_hot, not_tested, replaced_by_habit, not_found_failed, checks, days_watched
with episodes as (
    select
        part.episode_id,
        part.unit_id,
        any_value(part.opened_on) as opened_on,
        coalesce(bool_or(part.failed) filter (where part.part = $first), false) as first_failed,
        coalesce(bool_or(part.replaced) filter (where part.part = $second), false) as replaced,
        coalesce(bool_or(part.failed) filter (where part.part = $second), false) as failed,
        coalesce(bool_or(part.tested_hot) filter (where part.part = $second), false) as tested_hot
    from fact_episode_parts as part
    where part.part in ($first, $second)
    group by part.episode_id, part.unit_id
),

contract as (
    select episode.*
    from episodes as episode
    inner join fact_spans as span
        on span.unit_id = episode.unit_id
        and episode.opened_on between span.starts_on and span.ends_on
    where span.followed_as = 'contract'
)

select
    count(*) filter (where contract.first_failed) as jobs,
    count(*) filter (where contract.first_failed and contract.tested_hot) as tested_hot,
    count(*) filter (where contract.first_failed and not contract.tested_hot) as not_tested,
    count(*) filter (
        where contract.first_failed and contract.replaced and not contract.failed
    ) as replaced_by_habit,
    count(*) filter (where contract.first_failed and not contract.failed) as not_found_failed,
    count(*) filter (where not contract.first_failed and contract.tested_hot) as checks,
    (
        select cast(sum(span.ends_on - span.starts_on) as bigint)
        from fact_spans as span
        where span.followed_as = 'contract'
    ) as days_watched
from contract

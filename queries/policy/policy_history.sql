-- name: policy_history
-- answers: Which units were watched lately with both parts of known age, and what became of the parts?
-- grain: one row per unit and span under contract
-- inputs: fact_spans, fact_lives, fact_findings, fact_episode_parts
-- params: $first, $second, $start (first day looked at), $warranty_days
-- choice: Units under contract whose two parts in place on the first day looked at went in under
--    watch, or that were installed since. Position 1 of both parts. A failure later than the first
--    day counts; a part of the socket that fails again within the same watch counts again.
-- trap: Unseen states of the partner are not in the records; they are put in from the fit.
-- source: methods page, "Policy"
-- adds: rows; order unit_id
with spans as (
    select
        span.unit_id,
        span.span,
        greatest(span.starts_on, cast($start as date)) as from_on,
        span.ends_on as to_on
    from fact_spans as span
    where span.followed_as = 'contract'
        and span.ends_on > greatest(span.starts_on, cast($start as date))
),

births as (
    select
        span.unit_id,
        span.span,
        max(life.born_on) filter (where life.part = $first) as first_born_on,
        max(life.born_on) filter (where life.part = $second) as second_born_on
    from spans as span
    inner join fact_lives as life
        on life.unit_id = span.unit_id
        and life.span = span.span
        and life.position = 1
        and life.part in ($first, $second)
        and life.birth = 'known'
        and life.enters_on <= span.from_on
        and life.exits_on > span.from_on
    group by span.unit_id, span.span
),

ends as (
    select
        span.unit_id,
        span.span,
        count(*) filter (where life.part = $first and life.ending in ('failed', 'tripped')) as first_failures,
        count(*) filter (
            where life.part = $first
                and life.ending in ('failed', 'tripped')
                and life.exit_days <= $warranty_days
        ) as first_returns,
        count(*) filter (
            where life.part = $second and life.ending = 'failed' and not life.silent
        ) as second_failures,
        count(*) filter (
            where life.part = $second
                and life.ending = 'failed'
                and not life.silent
                and life.exit_days <= $warranty_days
        ) as second_returns
    from spans as span
    inner join fact_lives as life
        on life.unit_id = span.unit_id
        and life.span = span.span
        and life.position = 1
        and life.part in ($first, $second)
        and life.exits_on > span.from_on
        and life.exits_on <= span.to_on
    group by span.unit_id, span.span
),

fitted as (
    select span.unit_id, span.span, count(*) as second_replaced
    from spans as span
    inner join fact_lives as life
        on life.unit_id = span.unit_id
        and life.span = span.span
        and life.position = 1
        and life.part = $second
        and life.ordinal > 0
        and life.born_on > span.from_on
        and life.born_on <= span.to_on
    group by span.unit_id, span.span
),

tested as (
    select span.unit_id, span.span, count(distinct finding.episode_id) as hot_tests
    from spans as span
    inner join fact_findings as finding
        on finding.unit_id = span.unit_id
        and finding.part = $second
        and finding.position = 1
        and finding.tested_hot
        and finding.visited_on > span.from_on
        and finding.visited_on <= span.to_on
    inner join fact_episode_parts as other
        on other.episode_id = finding.episode_id
        and other.part = $first
        and other.failed
    group by span.unit_id, span.span
)

select
    span.unit_id,
    span.from_on - birth.first_born_on as first_days,
    span.from_on - birth.second_born_on as second_days,
    span.to_on - span.from_on as until_days,
    coalesce(ends.first_failures, 0) as first_failures,
    coalesce(ends.first_returns, 0) as first_returns,
    coalesce(ends.second_failures, 0) as second_failures,
    coalesce(ends.second_returns, 0) as second_returns,
    coalesce(fitted.second_replaced, 0) as second_replaced,
    coalesce(tested.hot_tests, 0) as hot_tests
from spans as span
inner join births as birth on birth.unit_id = span.unit_id and birth.span = span.span
left join ends on ends.unit_id = span.unit_id and ends.span = span.span
left join fitted on fitted.unit_id = span.unit_id and fitted.span = span.span
left join tested on tested.unit_id = span.unit_id and tested.span = span.span
where birth.first_born_on is not null and birth.second_born_on is not null
order by span.unit_id, span.span

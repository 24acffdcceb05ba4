-- name: fact_together
-- answers: On how many calls was a part replaced or found failed, alone and with another?
-- grain: one row per family, part and other part; a blank other part: whatever the other; both blank:
--    any part
-- inputs: fact_marked_episodes, fact_part_marks, fact_units
-- params: none
-- choice: Call-out episodes in which any part failed or was replaced. Trips count as failures.
-- trap: Rows with a blank are no sums of the others: an episode with three parts is in three pairs.
-- source: methods page, "Pairs"
-- adds: sums episodes, replaced, failed, unit_count
with marks as (
    select part.part, cast(part.mark as bit) as mark from fact_part_marks as part
),

calls as (
    select episode.unit_number, unit.family, episode.failed, episode.replaced
    from fact_marked_episodes as episode
    inner join fact_units as unit on unit.unit_number = episode.unit_number
    where episode.called and episode.asked
),

-- episodes that are alike are counted once
patterns as (
    select
        calls.family,
        calls.failed,
        calls.replaced,
        count(*) as episodes
    from calls
    group by calls.family, calls.failed, calls.replaced
),

parts as (
    select
        pattern.family,
        pattern.failed,
        pattern.replaced,
        pattern.episodes,
        part.part,
        bit_count(pattern.failed & part.mark) > 0 as part_failed,
        bit_count(pattern.replaced & part.mark) > 0 as part_replaced
    from patterns as pattern
    inner join marks as part
        on bit_count((pattern.failed | pattern.replaced) & part.mark) > 0
),

pairs as (
    select
        one.family,
        one.part,
        other.part as other,
        sum(one.episodes) as episodes,
        coalesce(sum(one.episodes) filter (where one.part_replaced and other.part_replaced), 0) as replaced,
        coalesce(sum(one.episodes) filter (where one.part_failed and other.part_failed), 0) as failed
    from parts as one
    inner join parts as other
        on other.family = one.family
        and other.failed = one.failed
        and other.replaced = one.replaced
        and other.part <> one.part
    group by one.family, one.part, other.part
),

several as (
    select distinct calls.unit_number, calls.family, calls.replaced
    from calls
    where bit_count(calls.replaced) > 1
),

both_replaced as (
    select alike.replaced, one.part, other.part as other
    from (select distinct several.replaced from several) as alike
    inner join marks as one on bit_count(alike.replaced & one.mark) > 0
    inner join marks as other
        on other.part <> one.part
        and bit_count(alike.replaced & other.mark) > 0
),

units as (
    select
        several.family,
        both_replaced.part,
        both_replaced.other,
        count(distinct several.unit_number) as unit_count
    from several
    inner join both_replaced on both_replaced.replaced = several.replaced
    group by several.family, both_replaced.part, both_replaced.other
)

select
    pattern.family,
    '' as part,
    '' as other,
    cast(sum(pattern.episodes) as bigint) as episodes,
    cast(0 as bigint) as replaced,
    cast(0 as bigint) as failed,
    cast(0 as bigint) as unit_count
from patterns as pattern
group by pattern.family
union all
select
    part.family,
    part.part,
    '' as other,
    cast(sum(part.episodes) as bigint) as episodes,
    cast(coalesce(sum(part.episodes) filter (where part.part_replaced), 0) as bigint) as replaced,
    cast(coalesce(sum(part.episodes) filter (where part.part_failed), 0) as bigint) as failed,
    cast(0 as bigint) as unit_count
from parts as part
group by part.family, part.part
union all
select
    pair.family,
    pair.part,
    pair.other,
    cast(pair.episodes as bigint) as episodes,
    cast(pair.replaced as bigint) as replaced,
    cast(pair.failed as bigint) as failed,
    coalesce(units.unit_count, 0) as unit_count
from pairs as pair
left join units
    on units.family = pair.family and units.part = pair.part and units.other = pair.other

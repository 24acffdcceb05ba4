-- name: pairs_failed
-- answers: How often are two parts found failed on one call, where either could have been seen?
-- grain: one row per ordered pair of parts and family
-- inputs: fact_marked_episodes, fact_part_marks, fact_family_parts, fact_units
-- params: none
-- choice: Call-out episodes in which any part failed or was replaced. A part with silent failures
--    counts as looked at only where it was tested hot; any other part shows by itself whether it
--    failed. Trips count as failures. partner_open: first failed, and nothing seen vouches for the
--    partner (no hot pass of a part that fails silently; judged untested, of any other).
-- trap: Among calls that some failure made, two parts failing apart look like protection: ratios
--    below 1 are no finding. Only together more often than chance is tested.
-- source: methods page, "Pairs"
-- adds: sums looked, looked_first, looked_second, looked_both, first_failed, unit_count, both_failed,
--    partner_passed_hot, partner_passed_cold, partner_open; order first, second, family
with calls as (
    select unit.family, episode.*
    from fact_marked_episodes as episode
    inner join fact_units as unit on unit.unit_number = episode.unit_number
    where episode.called and episode.asked
),

-- episodes that are alike are counted once
patterns as (
    select
        row_number() over () as pattern_number,
        calls.family,
        calls.failed,
        calls.named,
        calls.tested_hot,
        calls.passed_hot,
        calls.passed_cold,
        count(*) as episodes
    from calls
    group by
        calls.family, calls.failed, calls.named, calls.tested_hot, calls.passed_hot, calls.passed_cold
),

named as (
    select family.family, family.part, family.fails_silently, cast(part.mark as bit) as mark
    from fact_family_parts as family
    inner join fact_part_marks as part on part.part = family.part
),

seen as (
    select
        pattern.pattern_number,
        pattern.family,
        pattern.episodes,
        named.part,
        named.fails_silently,
        bit_count(pattern.failed & named.mark) > 0 as failed,
        not named.fails_silently or bit_count(pattern.tested_hot & named.mark) > 0 as looked,
        bit_count(pattern.passed_hot & named.mark) > 0 as passed_hot,
        bit_count(pattern.passed_cold & named.mark) > 0 as passed_cold,
        bit_count(pattern.named & named.mark) > 0 as mentioned
    from patterns as pattern
    inner join named on named.family = pattern.family
),

units as (
    select calls.family, bit_or(calls.failed) as failed
    from calls
    group by calls.family, calls.unit_number
),

lost as (
    select alike.family, named.part, cast(sum(alike.units) as bigint) as unit_count
    from (
        select units.family, units.failed, count(*) as units
        from units
        group by units.family, units.failed
    ) as alike
    inner join named on named.family = alike.family and bit_count(alike.failed & named.mark) > 0
    group by alike.family, named.part
),

counted as (
    select
        one.family,
        one.part as "first",
        other.part as "second",
        sum(one.episodes) filter (where one.looked and other.looked) as looked,
        sum(one.episodes) filter (where one.looked and other.looked and one.failed) as looked_first,
        sum(one.episodes) filter (where one.looked and other.looked and other.failed) as looked_second,
        sum(one.episodes) filter (
            where one.looked and other.looked and one.failed and other.failed
        ) as looked_both,
        sum(one.episodes) filter (where one.failed) as first_failed,
        sum(one.episodes) filter (where one.failed and other.failed) as both_failed,
        sum(one.episodes) filter (
            where one.failed and not other.failed and other.passed_hot
        ) as partner_passed_hot,
        sum(one.episodes) filter (
            where one.failed and not other.failed and other.passed_cold and not other.passed_hot
        ) as partner_passed_cold,
        sum(one.episodes) filter (
            where one.failed and not other.failed and not other.passed_hot
                and (other.fails_silently or (other.mentioned and not other.passed_cold))
        ) as partner_open
    from seen as one
    inner join seen as other on other.pattern_number = one.pattern_number and other.part <> one.part
    group by one.family, one.part, other.part
)

select
    counted.family,
    counted."first",
    counted."second",
    cast(coalesce(counted.looked, 0) as bigint) as looked,
    cast(coalesce(counted.looked_first, 0) as bigint) as looked_first,
    cast(coalesce(counted.looked_second, 0) as bigint) as looked_second,
    cast(coalesce(counted.looked_both, 0) as bigint) as looked_both,
    cast(coalesce(counted.first_failed, 0) as bigint) as first_failed,
    coalesce(lost.unit_count, 0) as unit_count,
    cast(coalesce(counted.both_failed, 0) as bigint) as both_failed,
    cast(coalesce(counted.partner_passed_hot, 0) as bigint) as partner_passed_hot,
    cast(coalesce(counted.partner_passed_cold, 0) as bigint) as partner_passed_cold,
    cast(coalesce(counted.partner_open, 0) as bigint) as partner_open
from counted
left join lost on lost.family = counted.family and lost.part = counted."first"
order by "first", "second", counted.family

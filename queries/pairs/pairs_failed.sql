-- name: pairs_failed
-- answers: How often are two parts found failed on one call, where either could have been seen?
-- grain: one row per ordered pair of parts and family
-- inputs: fact_episode_parts, fact_asked_episodes, fact_family_parts
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
with parts as (
    select
        part.episode_id,
        part.unit_id,
        part.family,
        part.part,
        part.failed,
        part.replaced,
        part.passed_hot,
        part.passed_cold,
        part.tested_hot
    from fact_episode_parts as part
    where part.kind = 'call_out'
        and part.episode_id in (select asked.episode_id from fact_asked_episodes as asked)
),

episodes as (
    select family, episode_id, any_value(unit_id) as unit_id
    from parts
    where failed or replaced
    group by family, episode_id
),

seen as (
    select
        episode.family,
        episode.episode_id,
        episode.unit_id,
        named.part,
        named.fails_silently,
        coalesce(found.failed, false) as failed,
        not named.fails_silently or coalesce(found.tested_hot, false) as looked,
        coalesce(found.passed_hot, false) as passed_hot,
        coalesce(found.passed_cold, false) as passed_cold,
        found.part is not null as mentioned
    from episodes as episode
    inner join fact_family_parts as named on named.family = episode.family
    left join parts as found
        on found.episode_id = episode.episode_id and found.part = named.part
)

select
    one.family,
    one.part as "first",
    other.part as "second",
    count(*) filter (where one.looked and other.looked) as looked,
    count(*) filter (where one.looked and other.looked and one.failed) as looked_first,
    count(*) filter (where one.looked and other.looked and other.failed) as looked_second,
    count(*) filter (where one.looked and other.looked and one.failed and other.failed) as looked_both,
    count(*) filter (where one.failed) as first_failed,
    count(distinct one.unit_id) filter (where one.failed) as unit_count,
    count(*) filter (where one.failed and other.failed) as both_failed,
    count(*) filter (where one.failed and not other.failed and other.passed_hot) as partner_passed_hot,
    count(*) filter (
        where one.failed and not other.failed and other.passed_cold and not other.passed_hot
    ) as partner_passed_cold,
    count(*) filter (
        where one.failed and not other.failed and not other.passed_hot
            and (other.fails_silently or (other.mentioned and not other.passed_cold))
    ) as partner_open
from seen as one
inner join seen as other on other.episode_id = one.episode_id and other.part <> one.part
group by one.family, one.part, other.part
order by "first", "second", one.family

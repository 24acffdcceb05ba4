-- name: pairs_together
-- answers: How often are two parts replaced together, and how often had both failed?
-- grain: one row per ordered pair of parts and family
-- inputs: fact_episode_parts, fact_asked_episodes
-- params: none
-- choice: Call-out episodes in which any part failed or was replaced. Trips count as failures.
-- trap: Replaced together tells the habits of technicians; failed together tells the parts.
-- source: methods page, "Pairs"
with parts as (
    select part.episode_id, part.unit_id, part.family, part.part, part.failed, part.replaced
    from fact_episode_parts as part
    where part.kind = 'call_out'
        and (part.failed or part.replaced)
        and part.episode_id in (select asked.episode_id from fact_asked_episodes as asked)
),

totals as (
    select family, count(distinct episode_id) as episodes_total
    from parts
    group by family
),

replaced as (
    select family, part, count(*) filter (where replaced) as episodes
    from parts
    group by family, part
),

pairs as (
    select
        first_part.family,
        first_part.part as "first",
        second_part.part as "second",
        count(*) filter (where first_part.replaced and second_part.replaced) as episodes_both,
        count(*) filter (where first_part.failed and second_part.failed) as both_failed,
        count(distinct first_part.unit_id) filter (where first_part.replaced and second_part.replaced) as unit_count
    from parts as first_part
    inner join parts as second_part
        on second_part.episode_id = first_part.episode_id
        and second_part.part <> first_part.part
    group by first_part.family, first_part.part, second_part.part
)

select
    total.family,
    one.part as "first",
    other.part as "second",
    total.episodes_total,
    one.episodes as episodes_first,
    other.episodes as episodes_second,
    coalesce(pair.episodes_both, 0) as episodes_both,
    coalesce(pair.both_failed, 0) as both_failed,
    coalesce(pair.unit_count, 0) as unit_count
from totals as total
inner join replaced as one on one.family = total.family
inner join replaced as other on other.family = total.family and other.part <> one.part
left join pairs as pair
    on pair.family = total.family and pair."first" = one.part and pair."second" = other.part
order by "first", "second", total.family

-- name: fact_together
-- answers: On how many calls was a part replaced or found failed, alone and with another?
-- grain: one row per family, part and other part; a blank other part: whatever the other; both blank:
--    any part
-- inputs: fact_episode_parts, fact_asked_episodes
-- params: none
-- choice: Call-out episodes in which any part failed or was replaced. Trips count as failures.
-- trap: Rows with a blank are no sums of the others: an episode with three parts is in three pairs.
-- source: methods page, "Pairs"
-- adds: sums episodes, replaced, failed, unit_count
with parts as (
    select part.episode_id, part.unit_id, part.family, part.part, part.failed, part.replaced
    from fact_episode_parts as part
    where part.kind = 'call_out'
        and (part.failed or part.replaced)
        and part.episode_id in (select asked.episode_id from fact_asked_episodes as asked)
)

select
    family,
    '' as part,
    '' as other,
    count(distinct episode_id) as episodes,
    cast(0 as bigint) as replaced,
    cast(0 as bigint) as failed,
    cast(0 as bigint) as unit_count
from parts
group by family
union all
select
    family,
    part,
    '' as other,
    count(*) as episodes,
    count(*) filter (where replaced) as replaced,
    count(*) filter (where failed) as failed,
    cast(0 as bigint) as unit_count
from parts
group by family, part
union all
select
    first_part.family,
    first_part.part,
    second_part.part as other,
    count(*) as episodes,
    count(*) filter (where first_part.replaced and second_part.replaced) as replaced,
    count(*) filter (where first_part.failed and second_part.failed) as failed,
    count(distinct first_part.unit_id) filter (where first_part.replaced and second_part.replaced) as unit_count
from parts as first_part
inner join parts as second_part
    on second_part.episode_id = first_part.episode_id
    and second_part.part <> first_part.part
group by first_part.family, first_part.part, second_part.part

-- name: stock_episodes
-- answers: What did each call-out on each van need at its first visit?
-- grain: one row per call-out episode (needs: list of parts; empty where no fault was found)
-- inputs: stg_clock, fact_episodes, fact_episode_parts, stg_units
-- params: $months (how far back)
-- choice: The need is what was replaced in the whole episode, with what had failed and was kept;
--    an episode without either needs nothing and is completed by any van.
-- trap: What was replaced on the first visit alone is what the van happened to carry.
-- source: methods page, "Stock"
with clock as (
    select * from stg_clock
),

episodes as (
    select
        episode.episode_id,
        episode.unit_id,
        coalesce(episode.van_id, unit.van_id) as van_id,
        unit.family,
        episode.opened_on
    from fact_episodes as episode
    inner join stg_units as unit on unit.unit_id = episode.unit_id
    cross join clock
    where episode.visit = 1
        and episode.kind = 'call_out'
        and episode.opened_on > clock.as_of - to_months($months)
        and episode.opened_on >= clock.records_from
)

select
    episode.episode_id,
    episode.unit_id,
    episode.van_id,
    episode.family,
    episode.opened_on,
    coalesce(
        list(part.part order by part.part) filter (where part.replaced or part.failed), []
    ) as needs
from episodes as episode
left join fact_episode_parts as part on part.episode_id = episode.episode_id
where episode.van_id is not null
group by all
order by episode.episode_id

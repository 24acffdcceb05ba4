-- name: causes_episodes
-- answers: Behind each complaint, which part had failed, and how?
-- grain: one row per complaint, stratum, part and mode
-- inputs: fact_asked_episodes, fact_episode_parts, stg_units
-- params: $complaint (or null for all), $by (list of columns)
-- choice: Call-out episodes only. An episode with two failed parts counts for both. No fault found
--    is a row of its own. Trips count as failures.
-- trap: Shares of one complaint add up to more than 1 where parts fail together.
-- source: methods page, "Causes"
-- adds: sums episodes, unit_count; totals episodes_total per complaint, stratum;
--    order complaint, stratum, episodes desc, part, mode
with episodes as (
    select
        episode.episode_id,
        episode.unit_id,
        coalesce(episode.complaint, 'not_recorded') as complaint,
        list_transform($by, lambda col: case col
            when 'family' then unit.family
            when 'fuel' then unit.fuel
            when 'van_id' then unit.van_id
            when 'unit_age' then case
                when unit.installed_on is null then 'unknown'
                when episode.opened_on < unit.installed_on + interval 5 year then 'under_5_years'
                when episode.opened_on < unit.installed_on + interval 10 year then '5_to_10_years'
                else 'over_10_years'
            end
            else error('causes cannot be told apart by ' || col)
        end) as stratum
    from fact_asked_episodes as episode
    inner join stg_units as unit on unit.unit_id = episode.unit_id
    where episode.visit = 1
        and episode.kind = 'call_out'
        and ($complaint is null or episode.complaint = $complaint)
),

totals as (
    select complaint, stratum, count(*) as episodes_total, count(distinct unit_id) as units_total
    from episodes
    group by complaint, stratum
),

found as (
    select
        episode.complaint,
        episode.stratum,
        coalesce(failed.part, 'no_fault_found') as part,
        failed.mode,
        episode.episode_id,
        episode.unit_id
    from episodes as episode
    left join fact_episode_parts as failed
        on failed.episode_id = episode.episode_id and failed.failed
)

select
    found.complaint,
    to_json(found.stratum) as stratum,
    found.part,
    found.mode,
    count(distinct found.episode_id) as episodes,
    count(distinct found.unit_id) as unit_count,
    any_value(total.episodes_total) as episodes_total
from found
inner join totals as total
    on total.complaint = found.complaint and total.stratum = found.stratum
group by found.complaint, found.stratum, found.part, found.mode
order by found.complaint, to_json(found.stratum), episodes desc, found.part, found.mode

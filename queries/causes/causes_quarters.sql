-- name: causes_quarters
-- answers: Does the share of a part behind a complaint rise or fall over calendar quarters?
-- grain: one row per complaint, quarter and part found failed in it
-- inputs: fact_asked_episodes, fact_episode_parts, stg_clock
-- params: $complaint (or null for all)
-- choice: Call-out episodes by the quarter in which they were opened; only whole quarters of the
--    records count. A quarter in which a part never failed has no row for it: it counts as 0.
-- trap: A share moves when another part's does: read counts beside shares.
-- source: methods page, "Causes"
-- adds: sums episodes; totals episodes_total per complaint, quarter; order complaint, part, quarter
with episodes as (
    select
        episode.episode_id,
        coalesce(episode.complaint, 'not_recorded') as complaint,
        cast(date_trunc('quarter', episode.opened_on) as date) as quarter
    from fact_asked_episodes as episode
    cross join stg_clock as clock
    where episode.visit = 1
        and episode.kind = 'call_out'
        and ($complaint is null or episode.complaint = $complaint)
        and date_trunc('quarter', episode.opened_on) >= clock.records_from
        and date_trunc('quarter', episode.opened_on) + interval 3 month <= clock.as_of + interval 1 day
),

totals as (
    select complaint, quarter, count(*) as episodes_total
    from episodes
    group by complaint, quarter
),

failed as (
    select
        episode.complaint,
        episode.quarter,
        coalesce(found.part, 'no_fault_found') as part,
        count(*) as episodes
    from episodes as episode
    left join fact_episode_parts as found
        on found.episode_id = episode.episode_id and found.failed
    group by episode.complaint, episode.quarter, found.part
)

select
    failed.complaint,
    failed.part,
    failed.quarter,
    failed.episodes,
    total.episodes_total
from failed
inner join totals as total
    on total.complaint = failed.complaint and total.quarter = failed.quarter
order by failed.complaint, failed.part, failed.quarter

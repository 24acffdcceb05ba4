-- name: fact_marked_episodes
-- answers: What was found and done in each fault, as marks in which every part has its bits?
-- grain: one row per episode in which a part failed or was replaced
-- inputs: stg_lines, fact_visits, fact_joined_visits, fact_places, fact_watched
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: The rules of fact_findings and fact_episode_parts, in numbers: a part has failed where any of
--    its tests found it so, or where a visit of a call-out found it worn and replaced it, if that is
--    a failure by the vocabulary. asked: as in fact_asked_episodes.
-- trap: All kinds of visits are here; what looks at call-outs must say so.
-- source: methods page, "Pairs"
-- adds: by unit
with places as (
    select
        place.part,
        place.position,
        place.worn_is_failure,
        cast(place.mark as bit) as mark,
        set_bit(cast(place.mark as bit), place.place_number, 0) as unmarked
    from fact_places as place
),

changed as (
    select line.job_id
    from stg_lines as line
    where line.action = 'replaced' or line.finding = 'failed'
),

visits as (
    select
        visit.rowid as visit_number,
        visit.job_id,
        visit.unit_number,
        joined.episode_id,
        coalesce(joined.opened_on, visit.visited_on) as opened_on,
        case when joined.visit_number is null then visit.called else joined.kind = 'call_out' end as called
    from fact_visits as visit
    left join fact_joined_visits as joined on joined.visit_number = visit.rowid
    where joined.visit_number is not null
        or visit.job_id in (select changed.job_id from changed)
),

marked as (
    select
        visit.visit_number,
        any_value(visit.unit_number) as unit_number,
        any_value(visit.episode_id) as episode_id,
        any_value(visit.opened_on) as opened_on,
        any_value(visit.called) as called,
        bit_or(place.mark) as named,
        bit_or(case when line.finding = 'failed' then place.mark else place.unmarked end) as failed,
        bit_or(
            case
                when line.finding = 'worn' and place.worn_is_failure and visit.called then place.mark
                else place.unmarked
            end
        ) as worn,
        bit_or(case when line.action = 'replaced' then place.mark else place.unmarked end) as replaced,
        bit_or(case when line.test = 'hot_cycle' then place.mark else place.unmarked end) as tested_hot,
        bit_or(
            case
                when line.test = 'hot_cycle' and line.finding = 'working' then place.mark
                else place.unmarked
            end
        ) as passed_hot,
        bit_or(
            case
                when line.test = 'cold_continuity' and line.finding = 'working' then place.mark
                else place.unmarked
            end
        ) as passed_cold
    from stg_lines as line
    inner join visits as visit on visit.job_id = line.job_id
    inner join places as place on place.part = line.part and place.position = line.position
    group by visit.visit_number
),

judged as (
    select
        marked.* exclude (failed, worn),
        marked.failed | (marked.worn & marked.replaced) as failed
    from marked
),

episodes as (
    select judged.* exclude (visit_number, episode_id)
    from judged
    where judged.episode_id is null
    union all by name
    select
        any_value(judged.unit_number) as unit_number,
        any_value(judged.opened_on) as opened_on,
        any_value(judged.called) as called,
        bit_or(judged.named) as named,
        bit_or(judged.failed) as failed,
        bit_or(judged.replaced) as replaced,
        bit_or(judged.tested_hot) as tested_hot,
        bit_or(judged.passed_hot) as passed_hot,
        bit_or(judged.passed_cold) as passed_cold
    from judged
    where judged.episode_id is not null
    group by judged.episode_id
)

select
    episode.*,
    episode.opened_on >= coalesce(cast(getvariable('since') as date), episode.opened_on)
    and (
        not coalesce(cast(getvariable('contract_only') as boolean), false)
        or exists (
            select 1
            from fact_watched as span
            where span.unit_number = episode.unit_number
                and span.followed_as = 'contract'
                and episode.opened_on between span.starts_on and span.ends_on
        )
    ) as asked
from episodes as episode
where bit_count(episode.failed | episode.replaced) > 0

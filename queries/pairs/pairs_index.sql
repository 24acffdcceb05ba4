-- name: pairs_index
-- answers: After one part was replaced, with or without its partner, what failed next and when?
-- grain: one row per index episode (first part replaced on a call-out, partner not found failed)
-- inputs: fact_episode_parts, fact_episodes, fact_spans, fact_lives, fact_neglect, stg_units, stg_parts
-- params: $first, $second
-- choice: An episode in which the partner was found failed is no index job: it is replaced under
--    any policy. The window ends at the next call-out failure of either part (the event), at any
--    other replacement of either (the next index job or a preventive one), or when the unit is no
--    longer watched; only the first of these counts. A silent failure that a test turns up is no
--    event: nobody called because of it, and an old partner is found bad more often than a new one.
-- trap: partner_age_days is what is in the unit after the job, partner_was_days what the technician
--    saw; only the latter may enter a weight. A ratio to the usual failure rate may come from bad units alone; the difference between
--    replaced alone and replaced together is what pairing can change.
-- source: methods page, "Follow-on"
-- adds: rows; order episode_id
with parts as (
    select
        part.episode_id,
        part.unit_id,
        part.family,
        part.installed_on,
        part.kind,
        part.opened_on,
        part.replaced_on,
        part.part,
        part.failed,
        part.failed and not coalesce(list_contains(word.silent_modes, part.mode), false) as failed_loud,
        part.replaced,
        part.passed_hot,
        part.passed_cold,
        part.mode
    from fact_episode_parts as part
    left join stg_parts as word on word.part = part.part
    where part.part in ($first, $second)
),

replaced_first as (
    select *
    from parts
    where part = $first and replaced and kind = 'call_out'
),

index_jobs as (
    select
        one.episode_id,
        one.unit_id,
        one.family,
        one.installed_on,
        one.replaced_on as index_on,
        one.failed as first_failed,
        coalesce(one.mode = 'tripped', false) as first_tripped,
        coalesce(other.replaced, false) as both_replaced,
        coalesce(other.passed_hot, false) as partner_passed_hot,
        coalesce(other.passed_cold, false) and not coalesce(other.passed_hot, false) as partner_passed_cold
    from replaced_first as one
    left join parts as other on other.episode_id = one.episode_id and other.part = $second
    where not coalesce(other.failed, false)
),

watched as (
    select index_job.*, span.span, span.ends_on, span.ends_by_contact_on, span.followed_as
    from index_jobs as index_job
    inner join fact_spans as span
        on span.unit_id = index_job.unit_id
        and index_job.index_on between span.starts_on and span.ends_on
),

following as (
    select
        watched.episode_id,
        part.opened_on as next_on,
        bool_or(part.failed_loud and part.kind = 'call_out') as failed,
        bool_or(part.failed_loud and part.kind = 'call_out' and part.part = $first) as failed_first
    from watched
    inner join parts as part
        on part.unit_id = watched.unit_id
        and part.episode_id <> watched.episode_id
        and part.opened_on > watched.index_on
        and (part.failed or part.replaced)
    group by watched.episode_id, part.opened_on
),

next_event as (
    select
        following.episode_id,
        min(following.next_on) as next_on,
        arg_min(following.failed, following.next_on) as failed,
        arg_min(following.failed_first, following.next_on) as failed_first
    from following
    group by following.episode_id
),

partner_birth as (
    select watched.episode_id, max(life.born_on) as partner_born_on
    from watched
    inner join fact_lives as life
        on life.unit_id = watched.unit_id
        and life.part = $second
        and life.born_on < watched.index_on
    group by watched.episode_id
)

select
    watched.episode_id,
    watched.unit_id,
    visit.technician_id,
    visit.van_id,
    coalesce(unit.building_id, watched.unit_id) as cluster_id,
    watched.family,
    watched.index_on,
    watched.first_failed,
    watched.first_tripped,
    watched.both_replaced,
    watched.partner_passed_hot,
    watched.partner_passed_cold,
    watched.index_on - watched.installed_on as unit_age_days,
    case when watched.both_replaced then 0 else watched.index_on - birth.partner_born_on end as partner_age_days,
    watched.index_on - birth.partner_born_on as partner_was_days,
    coalesce(neglect.band, 'unknown') as vent_state,
    case
        when next_event.next_on <= watched.ends_on then next_event.next_on - watched.index_on
        else watched.ends_on - watched.index_on
    end as followed_days,
    coalesce(next_event.next_on <= watched.ends_on and next_event.failed, false) as failed,
    coalesce(next_event.next_on <= watched.ends_on and next_event.failed_first, false) as failed_first,
    coalesce(next_event.next_on <= watched.ends_on and not next_event.failed, false) as replaced_otherwise
from watched
inner join stg_units as unit on unit.unit_id = watched.unit_id
inner join fact_episodes as visit on visit.episode_id = watched.episode_id and visit.visit = 1
left join fact_neglect as neglect
    on neglect.unit_id = watched.unit_id
    and neglect.span = watched.span
    and watched.index_on > neglect.from_day
    and watched.index_on <= neglect.to_day
left join next_event on next_event.episode_id = watched.episode_id
left join partner_birth as birth on birth.episode_id = watched.episode_id
order by watched.episode_id

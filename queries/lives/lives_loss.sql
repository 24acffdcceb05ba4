-- name: lives_loss
-- answers: From which unit age was each call-out unit known, when was it last heard of, and what
--    became of it?
-- grain: one row per call-out unit and span of observation
-- inputs: fact_spans, stg_units, stg_jobs, stg_cleanings, stg_periods, fact_episodes, fact_findings
-- params: none
-- choice: Outcome 0 is silent or quiet to the end of the records; 1 said it left; 2 took a contract
--    and is followed by it from then on. A contact without a failed part, on another day than a
--    failure's visits, is an other contact.
-- trap: A unit whose installation is unknown has no age; it is listed with blank ages and must not
--    enter the fit, its lives up to the last contact neither.
-- source: methods page, "Call-out units"
-- adds: rows; order unit_id
with spans as (
    select span.*, unit.installed_on, coalesce(unit.building_id, unit.unit_id) as cluster_id
    from fact_spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
    where span.followed_as = 'call_out'
),

stated_starts as (
    select unit.unit_id, unit.enrolled_on
    from stg_units as unit
    where unit.enrolled_on is not null
    union
    select period.unit_id, period.enrolled_on
    from stg_periods as period
),

first_stated as (
    select span.unit_id, span.span, min(stated.enrolled_on) as enrolled_on
    from spans as span
    inner join stated_starts as stated
        on stated.unit_id = span.unit_id
        and stated.enrolled_on between span.starts_on and span.ends_on
    group by span.unit_id, span.span
),

failing_episodes as (
    select finding.episode_id
    from fact_findings as finding
    where finding.failed
    group by finding.episode_id
),

other_contacts as (
    select contact.unit_id, contact.contact_on
    from (
        select episode.unit_id, episode.opened_on as contact_on
        from fact_episodes as episode
        where episode.visit = 1
            and not exists (
                select 1 from failing_episodes as failing
                where failing.episode_id = episode.episode_id
            )
        union
        select cleaning.unit_id, cleaning.cleaned_on
        from stg_cleanings as cleaning
        where cleaning.cleaned_by is distinct from 'owner'
            and not exists (
                select 1 from stg_jobs as job
                where job.unit_id = cleaning.unit_id and job.visited_on = cleaning.cleaned_on
            )
    ) as contact
),

known as (
    select
        span.unit_id,
        span.span,
        span.cluster_id,
        span.installed_on,
        span.starts_on,
        case
            when span.leaves_unseen then greatest(span.last_contact_on, span.starts_on)
            when stated.enrolled_on is not null then stated.enrolled_on
            else span.ends_on
        end as last_contact_on,
        case when span.leaves_unseen then span.ends_on end as silent_to_on,
        case
            when span.leaves_unseen then 0
            when stated.enrolled_on is not null then 2
            else 1
        end as outcome
    from spans as span
    left join first_stated as stated on stated.unit_id = span.unit_id and stated.span = span.span
),

counted as (
    select known.unit_id, known.span, count(other.contact_on) as other_contacts
    from known
    left join other_contacts as other
        on other.unit_id = known.unit_id
        and other.contact_on > known.starts_on
        and other.contact_on <= known.last_contact_on
    group by known.unit_id, known.span
)

select
    known.unit_id,
    known.span,
    known.starts_on - known.installed_on as watched_from_days,
    known.last_contact_on - known.installed_on as last_contact_days,
    coalesce(known.silent_to_on, known.last_contact_on) - known.installed_on as ends_days,
    known.outcome,
    known.cluster_id,
    counted.other_contacts
from known
inner join counted on counted.unit_id = known.unit_id and counted.span = known.span
order by known.unit_id, known.span

-- name: fact_spans
-- answers: From which day to which day was each unit watched, and why did watching end?
-- grain: one row per unit and span of observation
-- inputs: stg_units, stg_periods, stg_jobs, stg_cleanings, stg_clock
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: A contract unit is watched from its enrolment (never before its installation or the
--    start of the records) to its last day or the as-of date. A call-out unit is watched from its
--    first visit. A unit enrolled within 30 days after a call-out joined because of it: it counts
--    as call-out and is watched from that visit on. Installation and maintenance visits, and calls
--    during an earlier contract (a renewal), do not make it one.
-- trap: A call-out unit that leaves without a word looks watched to the end of the records; see
--    ends_by_contact_on, the other bracket (last contact plus 365 days).
-- source: methods page, "Observation", "Call-out units"
with clock as (
    select * from stg_clock
),

visits as (
    select job.unit_id, job.visited_on, job.kind
    from stg_jobs as job
),

contacts as (
    select contact.unit_id, max(contact.contact_on) as last_contact_on
    from (
        select visit.unit_id, visit.visited_on as contact_on from visits as visit
        union all
        select cleaning.unit_id, cleaning.cleaned_on
        from stg_cleanings as cleaning
        where cleaning.cleaned_by is distinct from 'owner'
    ) as contact
    group by contact.unit_id
),

stated_spans as (
    select unit.unit_id, unit.enrolled_on, unit.left_on, unit.left_because
    from stg_units as unit
    where unit.enrolled_on is not null
    union all
    select period.unit_id, period.enrolled_on, period.left_on, period.left_because
    from stg_periods as period
),

joined_by_job as (
    select span.unit_id, span.enrolled_on, min(visit.visited_on) as first_visit_on
    from stated_spans as span
    inner join visits as visit
        on visit.unit_id = span.unit_id
        and visit.kind = 'call_out'
        and visit.visited_on between span.enrolled_on - interval 30 day and span.enrolled_on
    where not exists (
        select 1
        from stated_spans as earlier
        where earlier.unit_id = span.unit_id
            and earlier.enrolled_on < span.enrolled_on
            and visit.visited_on >= earlier.enrolled_on
            and visit.visited_on <= coalesce(earlier.left_on, visit.visited_on)
    )
    group by span.unit_id, span.enrolled_on
),

contract_spans as (
    select
        span.unit_id,
        greatest(
            coalesce(joined.first_visit_on, span.enrolled_on),
            coalesce(unit.installed_on, date '0001-01-01'),
            clock.records_from
        ) as starts_on,
        least(coalesce(span.left_on, clock.as_of), clock.as_of) as ends_on,
        case when span.left_on is null then 'records_end' else coalesce(span.left_because, 'left') end as ends_because,
        joined.unit_id is not null as joined_by_job
    from stated_spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
    left join joined_by_job as joined
        on joined.unit_id = span.unit_id and joined.enrolled_on = span.enrolled_on
    cross join clock
),

call_out_spans as (
    select
        unit.unit_id,
        greatest(min(visit.visited_on), clock.records_from) as starts_on,
        least(coalesce(unit.left_on, clock.as_of), clock.as_of) as ends_on,
        case when unit.left_on is null then 'records_end' else coalesce(unit.left_because, 'left') end as ends_because,
        true as joined_by_job
    from stg_units as unit
    inner join visits as visit on visit.unit_id = unit.unit_id
    cross join clock
    where visit.visited_on >= clock.records_from
        and not exists (select 1 from stated_spans as span where span.unit_id = unit.unit_id)
    group by unit.unit_id, unit.left_on, unit.left_because, clock.records_from, clock.as_of
),

all_spans as (
    select *, false as leaves_unseen from contract_spans
    union all
    select *, ends_because = 'records_end' as leaves_unseen from call_out_spans
),

ordered_spans as (
    select
        *,
        max(ends_on) over (
            partition by unit_id order by starts_on, ends_on
            rows between unbounded preceding and 1 preceding
        ) as watched_before_to
    from all_spans
    where starts_on <= ends_on
),

numbered_spans as (
    select
        *,
        sum(case when watched_before_to is null or starts_on > watched_before_to + interval 1 day then 1 else 0 end)
            over (partition by unit_id order by starts_on, ends_on) as span
    from ordered_spans
),

merged_spans as (
    select
        unit_id,
        span,
        min(starts_on) as starts_on,
        max(ends_on) as ends_on,
        arg_max(ends_because, ends_on) as ends_because,
        bool_or(joined_by_job) as joined_by_job,
        bool_or(leaves_unseen) as leaves_unseen
    from numbered_spans
    group by unit_id, span
)

select
    merged.unit_id,
    cast(merged.span as integer) as span,
    merged.starts_on,
    merged.ends_on,
    merged.ends_because,
    case when merged.joined_by_job then 'call_out' else 'contract' end as followed_as,
    merged.leaves_unseen,
    contact.last_contact_on,
    case
        when merged.leaves_unseen
            then least(merged.ends_on, cast(greatest(contact.last_contact_on, merged.starts_on) + interval 365 day as date))
        else merged.ends_on
    end as ends_by_contact_on
from merged_spans as merged
left join contacts as contact on contact.unit_id = merged.unit_id
where coalesce(getvariable('contract_only'), false) = false or not merged.joined_by_job

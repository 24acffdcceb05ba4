-- name: fact_watched
-- answers: From which day to which day was each unit watched, and why did watching end?
-- grain: one row per unit and span of observation; its rowid is the span's number
-- inputs: fact_units, fact_visits, fact_visited, stg_periods, stg_cleanings, stg_clock
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: A contract unit is watched from its enrolment (never before its installation or the
--    start of the records) to its last day or the as-of date. A call-out unit is watched from its
--    first visit. A unit enrolled within 30 days after a call-out joined because of it: it counts
--    as call-out and is watched from that visit on. Installation and maintenance visits, and calls
--    during an earlier contract (a renewal), do not make it one.
-- trap: A call-out unit that leaves without a word looks watched to the end of the records; see
--    ends_by_contact_on, the other bracket (last contact plus 365 days).
-- source: methods page, "Observation", "Call-out units"
-- adds: by unit
with clock as (
    select * from stg_clock
),

cleaned as (
    select unit.unit_number, max(cleaning.cleaned_on) as last_on
    from stg_cleanings as cleaning
    inner join fact_units as unit on unit.unit_id = cleaning.unit_id
    where cleaning.cleaned_by is distinct from 'owner'
    group by unit.unit_number
),

stated_spans as (
    select unit.unit_number, unit.enrolled_on, unit.left_on, unit.left_because
    from fact_units as unit
    where unit.enrolled_on is not null
    union all
    select unit.unit_number, period.enrolled_on, period.left_on, period.left_because
    from stg_periods as period
    inner join fact_units as unit on unit.unit_id = period.unit_id
),

-- calls within 30 days before a span, but for those during an earlier one
joining_calls as (
    select span.unit_number, span.enrolled_on, visit.visited_on
    from stated_spans as span
    inner join fact_visits as visit
        on visit.unit_number = span.unit_number
        and visit.called
        and visit.visited_on >= span.enrolled_on - 30
        and visit.visited_on <= span.enrolled_on
),

joined_by_job as (
    select visit.unit_number, visit.enrolled_on, min(visit.visited_on) as first_visit_on
    from joining_calls as visit
    where not exists (
        select 1
        from stated_spans as earlier
        where earlier.unit_number = visit.unit_number
            and earlier.enrolled_on < visit.enrolled_on
            and visit.visited_on >= earlier.enrolled_on
            and visit.visited_on <= coalesce(earlier.left_on, visit.visited_on)
    )
    group by visit.unit_number, visit.enrolled_on
),

contract_spans as (
    select
        span.unit_number,
        greatest(
            coalesce(joined.first_visit_on, span.enrolled_on),
            coalesce(unit.installed_on, date '0001-01-01'),
            clock.records_from
        ) as starts_on,
        least(coalesce(span.left_on, clock.as_of), clock.as_of) as ends_on,
        case when span.left_on is null then 'records_end' else coalesce(span.left_because, 'left') end as ends_because,
        joined.unit_number is not null as joined_by_job
    from stated_spans as span
    inner join fact_units as unit on unit.unit_number = span.unit_number
    left join joined_by_job as joined
        on joined.unit_number = span.unit_number and joined.enrolled_on = span.enrolled_on
    cross join clock
),

call_out_spans as (
    select
        unit.unit_number,
        visit.first_on as starts_on,
        least(coalesce(unit.left_on, clock.as_of), clock.as_of) as ends_on,
        case when unit.left_on is null then 'records_end' else coalesce(unit.left_because, 'left') end as ends_because,
        true as joined_by_job
    from fact_units as unit
    inner join fact_visited as visit on visit.unit_number = unit.unit_number
    cross join clock
    where visit.first_on is not null
        and unit.unit_number not in (select span.unit_number from stated_spans as span)
),

all_spans as (
    select *, false as leaves_unseen from contract_spans where starts_on <= ends_on
    union all
    select *, ends_because = 'records_end' as leaves_unseen from call_out_spans where starts_on <= ends_on
),

-- only further periods make a second span; every other span stands as it is
several as (
    select unit.unit_number
    from fact_units as unit
    where unit.unit_id in (select period.unit_id from stg_periods as period)
),

ordered_spans as (
    select
        *,
        max(ends_on) over (
            partition by unit_number order by starts_on, ends_on
            rows between unbounded preceding and 1 preceding
        ) as watched_before_to
    from all_spans
    where unit_number in (select several.unit_number from several)
),

numbered_spans as (
    select
        *,
        sum(case when watched_before_to is null or starts_on > watched_before_to + 1 then 1 else 0 end)
            over (partition by unit_number order by starts_on, ends_on) as span
    from ordered_spans
),

merged_spans as (
    select
        unit_number,
        1 as span,
        starts_on,
        ends_on,
        ends_because,
        joined_by_job,
        leaves_unseen
    from all_spans
    where unit_number not in (select several.unit_number from several)
    union all
    select
        unit_number,
        span,
        min(starts_on) as starts_on,
        max(ends_on) as ends_on,
        -- of spans with one last day, the one that is still open decides
        arg_max(ends_because, (ends_on, ends_because = 'records_end', ends_because)) as ends_because,
        bool_or(joined_by_job) as joined_by_job,
        bool_or(leaves_unseen) as leaves_unseen
    from numbered_spans
    group by unit_number, span
),

contacted as (
    select
        merged.*,
        greatest(visit.last_on, cleaning.last_on) as last_contact_on
    from merged_spans as merged
    left join fact_visited as visit on visit.unit_number = merged.unit_number
    left join cleaned as cleaning on cleaning.unit_number = merged.unit_number
    where coalesce(getvariable('contract_only'), false) = false or not merged.joined_by_job
)

select
    span.unit_number,
    unit.unit_id,
    cast(span.span as integer) as span,
    span.starts_on,
    span.ends_on,
    span.ends_because,
    case when span.joined_by_job then 'call_out' else 'contract' end as followed_as,
    span.leaves_unseen,
    span.last_contact_on,
    case
        when span.leaves_unseen
            then least(span.ends_on, greatest(span.last_contact_on, span.starts_on) + 365)
        else span.ends_on
    end as ends_by_contact_on,
    unit.model_number,
    unit.installed_on,
    unit.family,
    unit.fuel,
    unit.van_id,
    unit.building_id,
    unit.loads_per_week,
    unit.duct_material,
    unit.termination
from contacted as span
inner join fact_units as unit on unit.unit_number = span.unit_number

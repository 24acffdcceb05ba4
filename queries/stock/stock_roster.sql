-- name: stock_roster
-- answers: Which parts are in service as a cycle begins, how old, in what state of the vent?
-- grain: one row per part (blank: the unit itself), family, van, vent band, standing, birth and
--    quarter of age (of the partner too), summed over the cycles asked for
-- inputs: stg_units, stg_parts, stg_clock, stg_jobs, stg_cleanings, fact_spans, fact_lives,
--    fact_neglect, fact_demand
-- params: $starts (list of dates: the last day before each cycle), $days (length of a cycle)
-- choice: In service means watched on that day and not yet ended. The age of a part of unknown birth
--    counts from the day it was first watched. Standing is contract, or for a call-out unit how long
--    ago it was last heard of: the longer, the likelier it has left without a word.
-- trap: Units that never called are in the roster and must be counted; led are the jobs that the part
--    led within the cycle, a failure found with another part's is that one's.
-- source: methods page, "Stock"
-- adds: sums lives, led; order part, family, fuel, van_id, band, standing, birth, age_quarters,
--    partner_quarters
with cycles as (
    select
        cast(start.landmark_on as date) as landmark_on,
        cast(start.landmark_on as date) + cast($days as integer) as last_on
    from (select unnest($starts) as landmark_on) as start
),

vans as (
    select
        unit.unit_id,
        coalesce(unit.van_id, arg_max(job.van_id, (job.opened_on, job.episode_id)), '') as van_id
    from stg_units as unit
    left join fact_demand as job on job.unit_id = unit.unit_id and job.van_id is not null
    group by unit.unit_id, unit.van_id
),

contacts as (
    select visit.unit_id, visit.visited_on as contact_on from stg_jobs as visit
    union
    select cleaning.unit_id, cleaning.cleaned_on
    from stg_cleanings as cleaning
    where cleaning.cleaned_by is distinct from 'owner'
),

contact_stretches as (
    select
        contact.unit_id,
        contact.contact_on,
        coalesce(
            lead(contact.contact_on) over (partition by contact.unit_id order by contact.contact_on),
            date '9999-12-31'
        ) as next_on
    from contacts as contact
),

watched as materialized (
    select
        cycle.landmark_on,
        cycle.last_on,
        span.unit_id,
        span.span,
        unit.family,
        unit.fuel,
        van.van_id,
        span.followed_as = 'contract' as on_contract,
        coalesce(unit.installed_on, span.starts_on) as born_on,
        case when unit.installed_on is null then 'unknown' else 'known' end as birth
    from fact_spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
    inner join vans as van on van.unit_id = span.unit_id
    cross join stg_clock as clock
    inner join cycles as cycle
        on span.starts_on <= cycle.landmark_on
        and (
            span.ends_on > cycle.landmark_on
            or (cycle.landmark_on = clock.as_of and span.ends_on = clock.as_of and span.ends_because = 'records_end')
        )
),

heard as (
    select
        unit.landmark_on,
        unit.unit_id,
        unit.span,
        case
            when unit.on_contract then 'contract'
            when contact.contact_on is null or unit.landmark_on - contact.contact_on >= 1461 then 'over_4_years'
            when unit.landmark_on - contact.contact_on >= 730 then '2_to_4_years'
            when unit.landmark_on - contact.contact_on >= 365 then '1_to_2_years'
            else 'under_1_year'
        end as standing
    from watched as unit
    left join contact_stretches as contact
        on contact.unit_id = unit.unit_id
        and contact.contact_on <= unit.landmark_on
        and contact.next_on > unit.landmark_on
),

units as materialized (
    select watched.*, heard.standing, coalesce(neglect.band, 'unknown') as band
    from watched
    inner join heard
        on heard.unit_id = watched.unit_id
        and heard.span = watched.span
        and heard.landmark_on = watched.landmark_on
    left join fact_neglect as neglect
        on neglect.unit_id = watched.unit_id
        and neglect.span = watched.span
        and neglect.from_day < watched.landmark_on
        and neglect.to_day >= watched.landmark_on
),

parts as materialized (
    select
        unit.*,
        life.part,
        life.position,
        life.birth as life_birth,
        unit.landmark_on - case when life.birth = 'unknown' then life.enters_on else life.born_on end as age_days
    from units as unit
    cross join stg_clock as clock
    inner join fact_lives as life
        on life.unit_id = unit.unit_id
        and life.span = unit.span
        and life.enters_on <= unit.landmark_on
        and (
            life.exits_on > unit.landmark_on
            or (unit.landmark_on = clock.as_of and life.exits_on = clock.as_of and life.ending = 'records_end')
        )
),

in_service as (
    select
        part.landmark_on, part.last_on, part.unit_id, part.family, part.fuel, part.van_id, part.band,
        part.standing, part.part, part.position, part.life_birth as birth, part.age_days,
        null as partner_days
    from parts as part
    where part.part not in (select tripper.trips from stg_parts as tripper where tripper.trips is not null)
    union all
    select
        part.landmark_on, part.last_on, part.unit_id, part.family, part.fuel, part.van_id, part.band,
        part.standing, part.part, part.position, part.life_birth as birth, part.age_days,
        partner.age_days as partner_days
    from parts as part
    inner join stg_parts as tripper on tripper.trips = part.part
    left join parts as partner
        on partner.landmark_on = part.landmark_on
        and partner.unit_id = part.unit_id
        and partner.span = part.span
        and partner.part = tripper.part
        and partner.position = 1
        and partner.life_birth <> 'unknown'
    union all
    select
        unit.landmark_on, unit.last_on, unit.unit_id, unit.family, unit.fuel, unit.van_id, unit.band,
        unit.standing, '', 1, unit.birth, unit.landmark_on - unit.born_on, null
    from units as unit
),

led as (
    select job.unit_id, job.lead, job.lead_position, cycle.landmark_on, count(*) as jobs
    from fact_demand as job
    inner join cycles as cycle
        on job.opened_on > cycle.landmark_on and job.opened_on <= cycle.last_on
    where job.van_id is not null
    group by job.unit_id, job.lead, job.lead_position, cycle.landmark_on
)

select
    part.part,
    part.family,
    part.fuel,
    part.van_id,
    part.band,
    part.standing,
    part.birth,
    cast(part.age_days // 91 as integer) as age_quarters,
    cast(part.partner_days // 91 as integer) as partner_quarters,
    count(*) as lives,
    cast(coalesce(sum(led.jobs), 0) as bigint) as led
from in_service as part
left join led
    on led.unit_id = part.unit_id
    and led.lead = part.part
    and led.lead_position = part.position
    and led.landmark_on = part.landmark_on
group by all
order by all

-- name: fact_lives
-- answers: From which age to which age was each part's life watched, and how did it end?
-- grain: one row per life (unit, part, position, ordinal) and span of observation
-- inputs: stg_units, fact_sockets, fact_findings, fact_spans
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: A failed part that was kept (declined, or waiting for a part) has failed that day; its
--    socket is unfollowed until its next replacement. A reset is a recurrent event, the life goes
--    on. Birth is known when the unit was watched as the part went in; else it is assumed to be
--    the installation or the recorded fitting, or unknown.
-- trap: A part found in a unit that joined later may already be a replacement, so its age is an
--    assumption. A unit is not at risk before it is watched: entry counts as much as exit.
-- source: methods page, "What ends a life", "Birth", "Observation"
with boundaries as (
    select
        socket.unit_id,
        socket.part,
        socket.position,
        cast(null as varchar) as job_id,
        unit.installed_on as happened_on,
        true as starts,
        cast(null as varchar) as ending,
        cast(null as varchar) as mode,
        false as silent,
        cast(null as varchar) as item_id,
        0 as first_row
    from fact_sockets as socket
    inner join stg_units as unit on unit.unit_id = socket.unit_id
    where socket.on_roster
    union all
    select
        finding.unit_id,
        finding.part,
        finding.position,
        finding.job_id,
        finding.visited_on,
        finding.replaced,
        case
            when finding.failed and finding.mode = 'tripped' then 'tripped'
            when finding.failed then 'failed'
            when finding.finding = 'worn' then 'preventive'
            when finding.finding = 'working' then 'replaced_working'
            else 'replaced_unknown'
        end,
        finding.mode,
        finding.silent,
        finding.item_id,
        1
    from fact_findings as finding
    where finding.replaced or (finding.failed and finding.action = 'kept')
),

sequence as (
    select
        boundary.*,
        lead(boundary.happened_on) over socket_order as closes_on,
        lead(boundary.ending) over socket_order as closes_by,
        lead(boundary.mode) over socket_order as closes_mode,
        lead(boundary.silent) over socket_order as closes_silent,
        coalesce(
            sum(case when boundary.starts then 1 else 0 end) over (
                socket_order rows between unbounded preceding and 1 preceding
            ), 0
        ) as ordinal
    from boundaries as boundary
    window socket_order as (
        partition by boundary.unit_id, boundary.part, boundary.position
        order by boundary.first_row, boundary.happened_on, boundary.job_id
    )
),

lives as (
    select *
    from sequence
    where starts
),

watched as (
    select
        life.unit_id,
        life.part,
        life.position,
        cast(life.ordinal as integer) as ordinal,
        life.first_row = 0 as first_fitted,
        life.happened_on as born_on,
        life.item_id,
        span.span,
        span.starts_on,
        span.ends_on,
        span.followed_as,
        span.leaves_unseen,
        case
            when life.happened_on is null then 'unknown'
            when life.happened_on >= span.starts_on then 'known'
            else 'assumed'
        end as birth,
        greatest(life.happened_on, span.starts_on) as enters_on,
        case when life.closes_on <= span.ends_on then life.closes_on else span.ends_on end as exits_on,
        case when life.closes_on <= span.ends_on then life.closes_by else span.ends_because end as ending,
        case when life.closes_on <= span.ends_on then life.closes_mode end as mode,
        coalesce(life.closes_on <= span.ends_on and life.closes_silent, false) as silent,
        case
            when life.closes_on <= span.ends_on then life.closes_on
            else greatest(span.ends_by_contact_on, greatest(life.happened_on, span.starts_on))
        end as exits_by_contact_on
    from lives as life
    inner join fact_spans as span
        on span.unit_id = life.unit_id
        and (life.happened_on is null or life.happened_on <= span.ends_on)
        and (life.closes_on is null or life.closes_on >= span.starts_on)
)

select
    life.unit_id,
    life.part,
    life.position,
    life.ordinal,
    case when life.first_fitted then 'first' else 'later' end as first_or_later,
    life.birth,
    life.born_on,
    life.enters_on,
    life.exits_on,
    life.exits_by_contact_on,
    life.enters_on - life.born_on as entry_days,
    life.exits_on - life.born_on as exit_days,
    life.exits_by_contact_on - life.born_on as exit_by_contact_days,
    life.ending,
    life.mode,
    life.silent,
    life.item_id,
    life.span,
    life.followed_as,
    life.leaves_unseen,
    unit.family,
    unit.fuel,
    unit.van_id,
    unit.building_id,
    unit.loads_per_week,
    unit.duct_material,
    unit.termination
from watched as life
inner join stg_units as unit on unit.unit_id = life.unit_id

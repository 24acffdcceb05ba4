-- name: fact_lives
-- answers: From which age to which age was each part's life watched, and how did it end?
-- grain: one row per life (unit, part, position, ordinal) and span of observation
-- inputs: stg_units, fact_sockets, fact_findings, fact_spans
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: A part has failed on the first visit of the episode that found it failed, unless it was
--    fitted in that very episode. A failed part that was kept (declined, or waiting for a part) has failed that day; its
--    socket is unfollowed until its next replacement. A reset is a recurrent event, the life goes
--    on. Birth is known when the unit was watched as the part went in; else it is assumed to be
--    the installation or the recorded fitting, or unknown.
-- trap: A part found in a unit that joined later may already be a replacement, so its age is an
--    assumption. A unit is not at risk before it is watched: entry counts as much as exit.
-- source: methods page, "What ends a life", "Birth", "Observation"
with boundaries as (
    select
        finding.unit_id,
        finding.part,
        finding.position,
        finding.job_id,
        finding.visited_on as happened_on,
        case when finding.failed then finding.opened_on else finding.visited_on end as fault_on,
        finding.replaced as starts,
        case
            when finding.failed and finding.mode = 'tripped' then 'tripped'
            when finding.failed then 'failed'
            when finding.finding = 'worn' then 'preventive'
            when finding.finding = 'working' then 'replaced_working'
            else 'replaced_unknown'
        end as ending,
        finding.mode,
        finding.silent,
        finding.item_id
    from fact_findings as finding
    where finding.replaced or (finding.failed and finding.action = 'kept')
),

sequence as (
    select
        boundary.*,
        row_number() over socket_order as place,
        lead(boundary.happened_on) over socket_order as closes_on,
        lead(boundary.fault_on) over socket_order as closes_fault_on,
        lead(boundary.ending) over socket_order as closes_by,
        lead(boundary.mode) over socket_order as closes_mode,
        lead(boundary.silent) over socket_order as closes_silent,
        count(*) filter (where boundary.starts) over (
            socket_order rows between unbounded preceding and 1 preceding
        ) as lives_before
    from boundaries as boundary
    window socket_order as (
        partition by boundary.unit_id, boundary.part, boundary.position
        order by boundary.happened_on, boundary.job_id
    )
),

-- the part that came with the unit ends at the first boundary; it needs no ordering
lives as (
    select
        socket.unit_id,
        socket.part,
        socket.position,
        0 as ordinal,
        true as first_fitted,
        cast(null as date) as fitted_on,
        cast(null as varchar) as item_id,
        boundary.fault_on as closes_on,
        boundary.ending as closes_by,
        boundary.mode as closes_mode,
        boundary.silent as closes_silent
    from fact_sockets as socket
    left join sequence as boundary
        on boundary.unit_id = socket.unit_id
        and boundary.part = socket.part
        and boundary.position = socket.position
        and boundary.place = 1
    where socket.on_roster
    union all
    select
        boundary.unit_id,
        boundary.part,
        boundary.position,
        boundary.lives_before + case when socket.unit_id is null then 1 else 0 end,
        false,
        boundary.happened_on,
        boundary.item_id,
        case
            when boundary.closes_fault_on > boundary.happened_on then boundary.closes_fault_on
            else boundary.closes_on
        end,
        boundary.closes_by,
        boundary.closes_mode,
        boundary.closes_silent
    from sequence as boundary
    left join fact_sockets as socket
        on socket.unit_id = boundary.unit_id
        and socket.part = boundary.part
        and socket.position = boundary.position
        and not socket.on_roster
    where boundary.starts
),

spans as (
    select
        span.*,
        unit.installed_on,
        unit.family,
        unit.fuel,
        unit.van_id,
        unit.building_id,
        unit.loads_per_week,
        unit.duct_material,
        unit.termination
    from fact_spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
),

watched as (
    select
        life.unit_id,
        life.part,
        life.position,
        cast(life.ordinal as integer) as ordinal,
        life.first_fitted,
        case when life.first_fitted then span.installed_on else life.fitted_on end as born_on,
        life.closes_on <= span.ends_on as closes,
        life.closes_on,
        life.closes_by,
        life.closes_mode,
        life.closes_silent,
        life.item_id,
        span.span,
        span.starts_on,
        span.ends_on,
        span.ends_because,
        span.ends_by_contact_on,
        span.followed_as,
        span.leaves_unseen,
        span.family,
        span.fuel,
        span.van_id,
        span.building_id,
        span.loads_per_week,
        span.duct_material,
        span.termination
    from lives as life
    inner join spans as span
        on span.unit_id = life.unit_id
        and (life.closes_on is null or life.closes_on >= span.starts_on)
    where born_on is null or born_on <= span.ends_on
),

dated as (
    select
        watched.*,
        greatest(born_on, starts_on) as enters_on,
        case when closes then closes_on else ends_on end as exits_on,
        case
            when closes then closes_on
            else greatest(ends_by_contact_on, greatest(born_on, starts_on))
        end as exits_by_contact_on
    from watched
)

select
    life.unit_id,
    life.part,
    life.position,
    life.ordinal,
    case when life.first_fitted then 'first' else 'later' end as first_or_later,
    case
        when life.born_on is null then 'unknown'
        when life.born_on >= life.starts_on then 'known'
        else 'assumed'
    end as birth,
    life.born_on,
    life.enters_on,
    life.exits_on,
    life.exits_by_contact_on,
    life.enters_on - life.born_on as entry_days,
    life.exits_on - life.born_on as exit_days,
    life.exits_by_contact_on - life.born_on as exit_by_contact_days,
    case when life.closes then life.closes_by else life.ends_because end as ending,
    case when life.closes then life.closes_mode end as mode,
    coalesce(life.closes and life.closes_silent, false) as silent,
    life.item_id,
    life.span,
    life.followed_as,
    life.leaves_unseen,
    life.family,
    life.fuel,
    life.van_id,
    life.building_id,
    life.loads_per_week,
    life.duct_material,
    life.termination
from dated as life

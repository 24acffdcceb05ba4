-- name: fact_numbered_lives
-- answers: Which lives were watched, from birth to end, by number?
-- grain: one row per life (unit, part, position, ordinal) and span of observation
-- inputs: fact_changes, fact_places, fact_roster, fact_watched
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: A part has failed on the first visit of the episode that found it failed, unless it was
--    fitted in that very episode. A failed part that was kept (declined, or waiting for a part) has failed that day; its
--    socket is unfollowed until its next replacement. A reset is a recurrent event, the life goes on.
-- trap: The part that came with the unit ends at the first change of its socket, whichever it is;
--    a socket that no roster names is watched only from its first replacement on.
-- source: methods page, "What ends a life", "Birth", "Observation"
-- adds: by unit
with sockets as (select count(*) as per_unit from fact_places),

-- one number for the socket, one for the order in it, one for all that ends a life: a sort and a
-- window over three numbers take half the time of the same over ten columns
packed as (
    select
        change.unit_number,
        change.place_number,
        cast(change.unit_number as bigint) * sockets.per_unit + change.place_number as socket,
        (change.happened_on - date '0001-01-01') * 65536
            + cast(change.day_order as usmallint) as socket_order,
        (
            (change.fault_on - date '0001-01-01') * 65536
            + cast(change.happened_on - change.fault_on as usmallint)
        ) * 1048576 + cast(coalesce(change.mode_number, 0) as usmallint) * 16 + change.ending_number as ending,
        change.happened_on,
        change.starts,
        change.item_number
    from fact_changes as change
    cross join sockets
),

ordered as materialized (
    select
        packed.unit_number,
        packed.place_number,
        packed.socket,
        packed.happened_on,
        packed.starts,
        packed.item_number,
        packed.ending,
        lead(packed.ending) over socket_order as next_ending,
        row_number() over socket_order as change_number,
        sum(cast(packed.starts as integer)) over (socket_order rows unbounded preceding) as lives_begun
    from packed
    window socket_order as (partition by packed.socket order by packed.socket_order)
),

spans as (
    select
        span.rowid as span_number,
        span.unit_number,
        span.model_number,
        span.installed_on,
        span.starts_on,
        span.ends_on
    from fact_watched as span
),

-- the part that came with the unit ends at the first change; it needs no ordering
first_changes as (
    select
        ordered.socket,
        ordered.ending,
        date '0001-01-01' + cast(ordered.ending >> 36 as integer) as fault_on
    from ordered
    where ordered.change_number = 1
),

first_lives as (
    select
        span.span_number,
        roster.place_number,
        0 as ordinal,
        true as first_fitted,
        span.installed_on as born_on,
        change.fault_on as closes_on,
        change.ending,
        cast(null as integer) as item_number,
        span.ends_on
    from spans as span
    cross join sockets
    inner join fact_roster as roster on roster.model_number = span.model_number
    left join first_changes as change
        on change.socket = cast(span.unit_number as bigint) * sockets.per_unit + roster.place_number
    where (change.fault_on is null or change.fault_on >= span.starts_on)
        and (span.installed_on is null or span.installed_on <= span.ends_on)
),

-- a part closes with the fault that ends it, or on the day itself where the fault is as old as it
begun as (
    select
        ordered.*,
        date '0001-01-01' + cast(
            (ordered.next_ending >> 36)
            + case
                when date '0001-01-01' + cast(ordered.next_ending >> 36 as integer) > ordered.happened_on
                    then 0
                else (ordered.next_ending >> 20) & 65535
            end as integer
        ) as closes_on
    from ordered
    where ordered.starts
),

later_lives as (
    select
        span.span_number,
        change.place_number,
        change.lives_begun - case when roster.place_number is null then 1 else 0 end as ordinal,
        false as first_fitted,
        change.happened_on as born_on,
        change.closes_on,
        change.next_ending as ending,
        change.item_number,
        span.ends_on
    from begun as change
    inner join spans as span on span.unit_number = change.unit_number
    left join fact_roster as roster
        on roster.model_number = span.model_number
        and roster.place_number = change.place_number
    where change.happened_on <= span.ends_on
        and (change.closes_on is null or change.closes_on >= span.starts_on)
)

select
    cast(life.span_number as integer) as span_number,
    cast(life.place_number as integer) as place_number,
    cast(life.ordinal as integer) as ordinal,
    life.first_fitted,
    life.born_on,
    case when life.closes_on <= life.ends_on then life.closes_on end as closes_on,
    cast(case when life.closes_on <= life.ends_on then life.ending & 15 end as utinyint) as closes_by,
    cast(case when life.closes_on <= life.ends_on then (life.ending >> 4) & 65535 end as integer) as closes_mode,
    life.item_number
from (select * from first_lives union all select * from later_lives) as life

-- name: lives_recurrence
-- answers: How often, by unit age, was this part's failure seen again and again?
-- grain: one row per watched unit and failure; a unit without one has a row with a blank event
-- inputs: fact_watched, fact_roster, fact_places, fact_other_sockets, fact_failures
-- params: $part
-- choice: All positions of a part together; resets and trips are events too. Call-out units are
--    left out: the call that brought them in selects them.
-- trap: Two failures of one day are two events in one risk set.
-- source: methods page, "Curves and fits" (mean cumulative function)
-- adds: rows; order unit_id
with places as (
    select place.place_number from fact_places as place where place.part = $part
),

fitted as (
    select distinct roster.model_number from fact_roster as roster where roster.part = $part
),

others as (
    select distinct socket.unit_number
    from fact_other_sockets as socket
    where socket.place_number in (select places.place_number from places)
),

watched as (
    select
        span.unit_number,
        span.unit_id,
        span.span,
        span.starts_on - span.installed_on as entry_days,
        span.ends_on - span.installed_on as exit_days,
        span.installed_on,
        span.starts_on,
        span.ends_on,
        span.family,
        span.fuel,
        span.van_id,
        span.duct_material,
        span.termination
    from fact_watched as span
    where span.installed_on is not null
        and span.followed_as = 'contract'
        and (
            span.model_number in (select fitted.model_number from fitted)
            or span.unit_number in (select others.unit_number from others)
        )
),

failures as (
    select failure.unit_number, failure.visited_on
    from fact_failures as failure
    where failure.place_number in (select places.place_number from places)
)

select
    watched.unit_id,
    watched.span,
    watched.entry_days,
    watched.exit_days,
    watched.family,
    watched.fuel,
    watched.van_id,
    watched.duct_material,
    watched.termination,
    failure.visited_on - watched.installed_on as event_days
from watched
left join failures as failure
    on failure.unit_number = watched.unit_number
    and failure.visited_on between watched.starts_on and watched.ends_on
order by watched.unit_id, watched.span, event_days

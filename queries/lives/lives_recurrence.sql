-- name: lives_recurrence
-- answers: How often, by unit age, was this part's failure seen again and again?
-- grain: one row per watched unit and failure; a unit without one has a row with a blank event
-- inputs: fact_spans, stg_units, fact_sockets, fact_findings
-- params: $part
-- choice: All positions of a part together; resets and trips are events too. Call-out units are
--    left out: the call that brought them in selects them.
-- trap: Two failures of one day are two events in one risk set.
-- source: methods page, "Curves and fits" (mean cumulative function)
-- adds: rows; order unit_id
with watched as (
    select
        span.unit_id,
        span.span,
        span.starts_on - unit.installed_on as entry_days,
        span.ends_on - unit.installed_on as exit_days,
        unit.installed_on,
        span.starts_on,
        span.ends_on,
        unit.family,
        unit.fuel,
        unit.van_id,
        unit.duct_material,
        unit.termination
    from fact_spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
    where unit.installed_on is not null
        and span.followed_as = 'contract'
        and exists (
            select 1 from fact_sockets as socket
            where socket.unit_id = span.unit_id and socket.part = $part
        )
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
    finding.visited_on - watched.installed_on as event_days
from watched
left join fact_findings as finding
    on finding.unit_id = watched.unit_id
    and finding.part = $part
    and finding.failed
    and finding.visited_on between watched.starts_on and watched.ends_on
order by watched.unit_id, watched.span, event_days

-- name: pairs_stretches
-- answers: Through which ages did each part live, in which dryer, under which state of the vent?
-- grain: one row per life of known birth in a contract unit, and stretch of one neglect band
--    (start < age <= stop)
-- inputs: fact_exposure
-- params: $parts (list)
-- choice: Only units watched from installation, as far as the part is concerned: all its lives are
--    known. A unit that joined later has lost its weak parts already, unseen.
-- trap: A trip ends a life as a failure here. Stretches of one life add up; none is a life of its own.
-- source: methods page, "Pairs" (frailty)
-- adds: rows; order unit_id
with watched as (
    select *
    from fact_exposure
    where list_contains($parts, part)
        and followed_as = 'contract'
),

whole as (
    select distinct unit_id, part from watched where first_or_later = 'first'
)

select
    watched.unit_id,
    watched.part,
    watched.band as vent_state,
    watched.start_days,
    watched.stop_days,
    watched.failed
from watched
inner join whole on whole.unit_id = watched.unit_id and whole.part = watched.part
order by watched.unit_id, watched.part, watched.position, watched.ordinal, watched.start_days

-- name: lives_world
-- answers: Which places for parts were watched, from when to when, how old were their parts when
--    watching began, and when did they fail?
-- grain: one row per watched socket and span, and one per failure in it
-- inputs: fact_lives, fact_spans, stg_units, stg_clock
-- params: $part
-- choice: The part in place when watching began is of known age where its birth was seen or the
--    unit was watched from installation; else its age is blank. A unit of unknown installation is
--    left out. Trips are left out: they are no failures of the part.
-- trap: Days count from the start of the records; a unit watched from before is cut there.
-- source: methods page, "Fitted-world check"
-- adds: rows; order kind, unit_id
with spans as (
    select
        span.*,
        unit.installed_on,
        clock.records_from
    from fact_spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
    cross join stg_clock as clock
    where unit.installed_on is not null
),

lives as (
    select life.*, row_number() over (
        partition by life.unit_id, life.span, life.part, life.position order by life.ordinal desc
    ) as from_last
    from fact_lives as life
    where life.part = $part
),

first_lives as (
    select
        life.unit_id,
        life.span,
        life.part,
        life.position,
        arg_max(life.birth, life.ordinal) as birth,
        max(life.born_on) as born_on
    from lives as life
    inner join spans as span on span.unit_id = life.unit_id and span.span = life.span
    where life.enters_on <= span.starts_on
    group by life.unit_id, life.span, life.part, life.position
),

sockets as (
    select
        'socket' as kind,
        one.unit_id,
        one.span,
        one.part,
        one.position,
        span.followed_as,
        span.leaves_unseen,
        span.starts_on - span.records_from as from_day,
        span.ends_on - span.records_from as to_day,
        span.starts_on - span.installed_on as unit_age_days,
        case
            when one.birth = 'known' then span.starts_on - one.born_on
            when span.starts_on = span.installed_on then 0
        end as part_age_days,
        cast(null as bigint) as failed_day
    from first_lives as one
    inner join spans as span on span.unit_id = one.unit_id and span.span = one.span
),

failures as (
    select
        'failure' as kind,
        life.unit_id,
        life.span,
        life.part,
        life.position,
        span.followed_as,
        span.leaves_unseen,
        span.starts_on - span.records_from as from_day,
        span.ends_on - span.records_from as to_day,
        span.starts_on - span.installed_on as unit_age_days,
        cast(null as bigint) as part_age_days,
        life.exits_on - span.records_from as failed_day
    from lives as life
    inner join spans as span on span.unit_id = life.unit_id and span.span = life.span
    where life.ending = 'failed' and life.exits_on > span.starts_on
)

select * from sockets
union all
select * from failures
order by kind, unit_id, span, part, position, failed_day

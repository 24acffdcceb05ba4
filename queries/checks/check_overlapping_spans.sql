-- name: check_overlapping_spans
-- answers: Which units are under two contracts on one day?
-- grain: one row per pair of overlapping spans of one unit
-- inputs: stg_units, stg_periods
-- params: none (variables as_of, as_loaded)
-- choice: Correct enrolled_on or left_on so that the spans do not share a day.
-- trap: left_on is the last day followed: a span that begins on that very day shares it.
-- source: contract, section 1
with spans as (
    select unit.unit_id, unit.enrolled_on, coalesce(unit.left_on, date '9999-12-31') as left_on
    from stg_units as unit
    where unit.enrolled_on is not null
    union all
    select period.unit_id, period.enrolled_on, coalesce(period.left_on, date '9999-12-31') as left_on
    from stg_periods as period
),

numbered_spans as (
    select *, row_number() over (partition by unit_id order by enrolled_on, left_on) as place
    from spans
)

select
    'check_overlapping_spans' as "check",
    'two spans under contract of one unit share a day; they are counted as one' as statement,
    'correct enrolled_on or left_on so that the spans do not share a day' as remedy,
    'periods' as "table",
    earlier.unit_id as record_id,
    'from ' || earlier.enrolled_on || ' and from ' || later.enrolled_on as detail
from numbered_spans as earlier
inner join numbered_spans as later
    on later.unit_id = earlier.unit_id
    and later.place > earlier.place
    and later.enrolled_on <= earlier.left_on

-- name: check_cleaning_outside_followed
-- answers: Which cleanings lie outside the time their unit was followed?
-- grain: one row per cleaning
-- inputs: stg_cleanings, stg_units, stg_periods
-- params: none (variables as_of, as_loaded)
-- choice: Check the date, or the dates between which the unit was under contract.
-- trap: Such a cleaning still resets the neglect clock; on a call-out unit only its left_on bounds the time.
-- source: contract, section 1
with spans as (
    select
        unit.unit_id,
        coalesce(unit.enrolled_on, date '0001-01-01') as starts_on,
        coalesce(unit.left_on, date '9999-12-31') as ends_on
    from stg_units as unit
    union all
    select period.unit_id, period.enrolled_on, coalesce(period.left_on, date '9999-12-31')
    from stg_periods as period
)

select
    'check_cleaning_outside_followed' as "check",
    'a cleaning lies outside the time in which its unit was followed' as statement,
    'check its date, or the dates between which the unit was under contract' as remedy,
    'cleanings' as "table",
    cleaning.unit_id as record_id,
    'cleaned on ' || cleaning.cleaned_on as detail
from stg_cleanings as cleaning
inner join stg_units as unit on unit.unit_id = cleaning.unit_id
where not exists (
    select 1
    from spans as span
    where span.unit_id = cleaning.unit_id
        and cleaning.cleaned_on between span.starts_on and span.ends_on
)

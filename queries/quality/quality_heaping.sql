-- name: quality_heaping
-- answers: Do dates and numbers pile up where people round?
-- grain: one row per column
-- inputs: stg_units, stg_jobs, stg_cleanings
-- params: none
-- choice: Dates on the first of a month; whole loads per week in fives; duct lengths in whole tens of feet.
-- trap: Ages from rounded installation dates are off by up to a month; visits on the first are late entries in bulk.
-- source: common practice, no source
select
    'installed_on' as "column",
    'first of a month' as where_rounded,
    count(installed_on) as "rows",
    count(*) filter (where day(installed_on) = 1) as rounded,
    12 / 365.25 as share_expected
from stg_units
union all
select 'enrolled_on', 'first of a month', count(enrolled_on), count(*) filter (where day(enrolled_on) = 1), 12 / 365.25
from stg_units
union all
select 'visited_on', 'first of a month', count(*), count(*) filter (where day(visited_on) = 1), 12 / 365.25
from stg_jobs
union all
select 'cleaned_on', 'first of a month', count(*), count(*) filter (where day(cleaned_on) = 1), 12 / 365.25
from stg_cleanings
union all
select
    'loads_per_week',
    'whole fives',
    count(loads_per_week),
    count(*) filter (where loads_per_week % 5 = 0),
    0.2
from stg_units
where loads_per_week = round(loads_per_week)
union all
select
    'duct_length',
    'whole tens of feet',
    count(duct_length_m),
    count(*) filter (where round(duct_length_m / 0.3048, 6) % 10 = 0),
    0.1
from stg_units
where round(duct_length_m / 0.3048, 6) = round(duct_length_m / 0.3048)

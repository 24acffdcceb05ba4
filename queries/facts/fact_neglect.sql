-- name: fact_neglect
-- answers: On which days was the last full vent cleaning how long ago?
-- grain: one row per unit, span of observation and neglect band (days from_day < day <= to_day)
-- inputs: fact_spans, stg_cleanings, stg_jobs, stg_units
-- params: none (variables as_of, as_loaded, since, neglect_months, neglect_lag_days,
--    neglect_without_symptoms, neglect_company_only)
-- choice: Only full_run resets the clock; a cleaning on day d acts from d + 1, whatever else
--    happened on d. Before the first recorded cleaning neglect is at least the time since
--    observation began: unknown until that reaches the last cut point, over it from then on. Cut
--    points are neglect_months (default 12 and 24), a month being a twelfth of 365 days: under 365
--    days, 365 to 729, 730 and more.
-- trap: Installation is not a cleaning unless vent_new says so and the unit was watched from that
--    day; a cleaning before the unit was watched proves nothing about what came after it.
-- source: methods page, "Neglect"
-- adds: by unit
with settings as (
    select
        coalesce(cast(getvariable('neglect_months') as integer[]), [12, 24]) as months,
        coalesce(cast(getvariable('neglect_lag_days') as integer), 0) as lag_days,
        coalesce(cast(getvariable('neglect_without_symptoms') as boolean), false) as without_symptoms,
        coalesce(cast(getvariable('neglect_company_only') as boolean), false) as company_only
),

cleanings as (
    select distinct cleaning.unit_id, cleaning.cleaned_on
    from stg_cleanings as cleaning
    left join stg_jobs as job on job.job_id = cleaning.job_id and job.unit_id = cleaning.unit_id
    cross join settings
    where cleaning.scope = 'full_run'
        and not (settings.company_only and cleaning.cleaned_by = 'owner')
        and not (
            settings.without_symptoms
            and coalesce(job.complaint in ('slow_dry', 'overheats'), false)
        )
),

anchors as (
    select span.unit_id, span.span, cleaning.cleaned_on as anchor_on, true as is_cleaning
    from fact_spans as span
    inner join cleanings as cleaning
        on cleaning.unit_id = span.unit_id
        and cleaning.cleaned_on between span.starts_on and span.ends_on
    union
    select span.unit_id, span.span, unit.installed_on, true
    from fact_spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
    where unit.vent_new and unit.installed_on = span.starts_on
),

all_anchors as (
    select anchor.unit_id, anchor.span, anchor.anchor_on, anchor.is_cleaning from anchors as anchor
    union all
    select span.unit_id, span.span, cast(span.starts_on - interval 1 day as date), false
    from fact_spans as span
),

stretches as (
    select
        anchor.unit_id,
        anchor.span,
        anchor.anchor_on,
        anchor.is_cleaning,
        lead(anchor.anchor_on) over (
            partition by anchor.unit_id, anchor.span order by anchor.anchor_on, anchor.is_cleaning
        ) as next_anchor_on
    from all_anchors as anchor
),

bounded as (
    select
        stretch.unit_id,
        stretch.span,
        stretch.anchor_on,
        stretch.is_cleaning,
        case when stretch.is_cleaning
            then cast(stretch.anchor_on + to_days(settings.lag_days) as date)
            else stretch.anchor_on
        end as from_day,
        least(
            cast(coalesce(stretch.next_anchor_on + to_days(settings.lag_days), span.ends_on) as date),
            span.ends_on
        ) as to_day
    from stretches as stretch
    inner join fact_spans as span on span.unit_id = stretch.unit_id and span.span = stretch.span
    cross join settings
),

cut_points as (
    select cut_point.month, cast(round(cut_point.month * 365 / 12) as integer) as days
    from (select unnest(settings.months) as month from settings) as cut_point
),

next_cut_points as (
    select
        cut_point.month,
        cut_point.days,
        lead(cut_point.month) over (order by cut_point.month) as next_month,
        lead(cut_point.days) over (order by cut_point.month) as next_days
    from cut_points as cut_point
),

bands as (
    select 'under_' || min(month) as band, 0 as from_days, min(days) - 1 as to_days from next_cut_points
    union all
    select month || '_to_' || next_month, days - 1, next_days - 1 from next_cut_points where next_month is not null
    union all
    select 'over_' || month, days - 1, null from next_cut_points where next_month is null
),

longest as (
    select 'over_' || max(month) as band, max(days) as days from cut_points
),

banded as (
    select
        bounded.unit_id,
        bounded.span,
        bands.band,
        greatest(bounded.from_day, cast(bounded.anchor_on + to_days(bands.from_days) as date)) as from_day,
        least(
            bounded.to_day,
            coalesce(cast(bounded.anchor_on + to_days(bands.to_days) as date), bounded.to_day)
        ) as to_day
    from bounded
    cross join bands
    where bounded.is_cleaning
    union all
    select
        bounded.unit_id, bounded.span, 'unknown', bounded.from_day,
        least(bounded.to_day, cast(bounded.anchor_on + to_days(longest.days) as date))
    from bounded
    cross join longest
    where not bounded.is_cleaning
    union all
    select
        bounded.unit_id, bounded.span, longest.band,
        greatest(bounded.from_day, cast(bounded.anchor_on + to_days(longest.days) as date)), bounded.to_day
    from bounded
    cross join longest
    where not bounded.is_cleaning
)

select unit_id, span, band, from_day, to_day
from banded
where from_day < to_day

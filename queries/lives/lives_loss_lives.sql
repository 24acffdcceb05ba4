-- name: lives_loss_lives
-- answers: By what law did each part live, up to its unit's last contact, and was it running then?
-- grain: one row per part, law, kind of row, cluster where asked, unit (tails only), and age
-- inputs: fact_lives, fact_spans, stg_units
-- params: $births (list of known, assumed), $clustered (whether cells are kept apart by building, or unit)
-- choice: Parts whose birth is known, or assumed where that is asked for, follow the law of the part.
--    Parts that a call-out unit had before its first visit follow a law of their own in unit age
--    otherwise: their silence counts, their lives do not. A silent failure brings no call: its life
--    is taken as left. Contract lives of unasked births are left out.
-- trap: The part whose failure was the first visit has no time at risk there and drops out.
-- source: methods page, "Call-out units", "Birth"
-- adds: sums number; order part, law, kind, cluster_id, unit_id, span, age
with lives as (
    select
        life.unit_id,
        life.span,
        life.part,
        list_contains($births, life.birth) as asked,
        unit.installed_on,
        case when $clustered then coalesce(unit.building_id, unit.unit_id) end as cluster_id,
        life.born_on,
        life.enters_on,
        life.exits_on,
        case
            when life.ending = 'failed' and not life.silent then 'failed'
            when life.ending = 'tripped' then 'tripped'
            else 'left'
        end as ending,
        life.ending = span.ends_because as ran_on,
        life.leaves_unseen,
        greatest(span.last_contact_on, span.starts_on) as last_contact_on
    from fact_lives as life
    inner join fact_spans as span on span.unit_id = life.unit_id and span.span = life.span
    inner join stg_units as unit on unit.unit_id = life.unit_id
    where (list_contains($births, life.birth) or life.followed_as = 'call_out')
        and (unit.installed_on is not null or not life.leaves_unseen)
        and (unit.installed_on is not null or list_contains($births, life.birth))
),

aged as (
    select
        part,
        case when asked then 'own' else 'before' end as law,
        unit_id,
        span,
        cluster_id,
        ending,
        leaves_unseen and ran_on as runs_on,
        case when asked then born_on else installed_on end as clock_on,
        installed_on,
        enters_on,
        case when leaves_unseen and ran_on then greatest(last_contact_on, enters_on) else exits_on end as exits_on
    from lives
),

tails as (
    select
        part,
        law,
        'tail' as kind,
        unit_id,
        span,
        clock_on - installed_on as age
    from aged
    where runs_on
),

used as (
    select
        part,
        law,
        cluster_id,
        case when runs_on then 'left' else ending end as ending,
        enters_on - clock_on as entry_days,
        exits_on - clock_on as exit_days
    from aged
    where exits_on > enters_on or (exits_on = clock_on and enters_on = clock_on)
),

cells as (
    select part, law, cluster_id, 'entered' as kind, entry_days as age from used
    union all
    select part, law, cluster_id, ending as kind, exit_days as age from used
)

select
    part,
    law,
    kind,
    cast(null as varchar) as unit_id,
    cast(null as integer) as span,
    age,
    count(*) as number,
    cluster_id
from cells
group by part, law, kind, age, cluster_id
union all
select part, law, kind, unit_id, span, age, count(*) as number, cast(null as varchar) as cluster_id
from tails
group by part, law, kind, unit_id, span, age
order by part, law, kind, cluster_id, unit_id, span, age

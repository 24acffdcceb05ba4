-- name: fact_changes
-- answers: Where does a part's life end, or a new one begin?
-- grain: one row per visit, part and position where a part was replaced, or found failed and kept
-- inputs: stg_lines, fact_places, fact_modes, fact_items, fact_visits, fact_joined_visits, fact_same_day
-- params: none (variables as_of, as_loaded)
-- choice: All tests of a part on a visit are one finding, the worst holds, as in fact_findings;
--    here without the lines that leave a part where it was, most of all lines. They matter only
--    where another line of the same part was replaced and found no worse.
-- trap: A reset or cleaned part keeps its life, even where another line found it failed and kept.
-- source: methods page, "What ends a life"
-- adds: by unit
with changed as (
    select line.job_id, line.part, line.position, line.finding, line.action, line.mode, line.item_id
    from stg_lines as line
    where line.action <> 'kept' or line.finding = 'failed'
),

undecided as (
    select line.job_id, line.part, line.position
    from stg_lines as line
    where line.action = 'replaced' and line.finding not in ('failed', 'worn')
),

lines as (
    select * from changed
    union all
    select line.job_id, line.part, line.position, line.finding, line.action, line.mode, line.item_id
    from stg_lines as line
    where line.action = 'kept'
        and line.finding <> 'failed'
        and exists (
            select 1 from undecided as other
            where other.job_id = line.job_id
                and other.part = line.part
                and other.position = line.position
        )
),

placed as materialized (
    select
        cast(visit.rowid as integer) as visit_number,
        visit.unit_number,
        visit.visited_on,
        visit.called,
        place.place_number,
        cast(
            case line.finding when 'failed' then 3 when 'worn' then 2 when 'working' then 1 else 0 end as utinyint
        ) as finding,
        cast(
            case line.action when 'replaced' then 3 when 'reset' then 2 when 'kept' then 0 else 1 end as utinyint
        ) as action,
        case when line.finding = 'failed' then mode.mode_number end as mode_number,
        case when line.action = 'replaced' then item.item_number end as item_number
    from lines as line
    inner join fact_visits as visit on visit.job_id = line.job_id
    inner join fact_places as place on place.part = line.part and place.position = line.position
    left join fact_modes as mode on mode.mode = line.mode
    left join fact_items as item on item.item_id = line.item_id
),

-- visits that may name a place twice; a place shares its bit with every 64th other
repeated as (
    select line.visit_number
    from placed as line
    group by line.visit_number
    having bit_count(bit_or(cast(1 as ubigint) << cast(line.place_number % 64 as utinyint))) < count(*)
),

outcomes as (
    select line.*
    from placed as line
    where not exists (select 1 from repeated as visit where visit.visit_number = line.visit_number)
    union all by name
    select
        line.visit_number,
        line.unit_number,
        line.visited_on,
        line.called,
        line.place_number,
        max(line.finding) as finding,
        max(line.action) as action,
        max(line.mode_number) as mode_number,
        max(line.item_number) as item_number
    from placed as line
    where exists (select 1 from repeated as visit where visit.visit_number = line.visit_number)
    group by line.visit_number, line.unit_number, line.visited_on, line.called, line.place_number
),

judged as (
    select
        outcome.*,
        joined.opened_on,
        place.worn_is_failure,
        (
            outcome.finding = 3
            or (
                outcome.finding = 2 and outcome.action = 3 and place.worn_is_failure
                and case when joined.visit_number is null then outcome.called else joined.kind = 'call_out' end
            )
        ) as failed
    from outcomes as outcome
    inner join fact_places as place on place.place_number = outcome.place_number
    left join fact_joined_visits as joined on joined.visit_number = outcome.visit_number
    where outcome.action = 3 or (outcome.finding = 3 and outcome.action = 0)
)

select
    cast(change.unit_number as integer) as unit_number,
    cast(change.place_number as integer) as place_number,
    change.visited_on as happened_on,
    coalesce(sharing.day_order, 0) as day_order,
    case when change.failed then coalesce(change.opened_on, change.visited_on) else change.visited_on end as fault_on,
    change.action = 3 as starts,
    cast(case
        when change.failed and mode.mode = 'tripped' then 5
        when change.failed then 4
        when change.finding = 2 then 3
        when change.finding = 1 then 2
        else 1
    end as utinyint) as ending_number,
    cast(change.mode_number as integer) as mode_number,
    cast(change.item_number as integer) as item_number
from judged as change
left join fact_modes as mode on mode.mode_number = change.mode_number
left join fact_same_day as sharing on sharing.visit_number = change.visit_number

-- name: fact_silences
-- answers: Of parts that can fail unseen, how many failures were of that kind, and how many tests passed?
-- grain: one row per part (failures are episodes)
-- inputs: stg_lines, stg_parts, fact_places, fact_modes, fact_visits, fact_joined_visits
-- params: none (variables as_of, as_loaded)
-- choice: Findings are counted beside episodes: a failure may be looked at on several visits. The
--    rules are those of fact_findings; only lines of such parts are read.
-- trap: A part is listed here before it is known whether it is silent: see lives_silent.
-- source: methods page, "Silent modes"
-- adds: sums failures, silent_failures, failed_findings, silent_findings, passed_hot, passed_cold_only
with parts as (
    select part.part, part.trips, part.silent_modes, part.worn_is_failure
    from stg_parts as part
    where len(part.silent_modes) > 0
),

placed as (
    select
        visit.rowid as visit_number,
        place.place_number,
        cast(case line.finding when 'failed' then 3 when 'worn' then 2 when 'working' then 1 else 0 end as utinyint) as finding,
        line.action = 'replaced' as replaced,
        case when line.finding = 'failed' then mode.mode_number end as mode_number,
        line.test = 'hot_cycle' and line.finding = 'working' as passed_hot,
        line.test = 'cold_continuity' and line.finding = 'working' as passed_cold
    from stg_lines as line
    inner join fact_visits as visit on visit.job_id = line.job_id
    inner join fact_places as place on place.part = line.part and place.position = line.position
    left join fact_modes as mode on mode.mode = line.mode
    where line.part in (select parts.part from parts)
),

findings as (
    select
        placed.visit_number,
        placed.place_number,
        bool_or(placed.finding = 3) as found_failed,
        bool_or(placed.finding = 2) and bool_or(placed.replaced) as worn_out,
        max(placed.mode_number) as mode_number,
        coalesce(bool_or(placed.passed_hot), false) as passed_hot,
        coalesce(bool_or(placed.passed_cold), false) as passed_cold
    from placed
    group by placed.visit_number, placed.place_number
),

joined as (
    select
        visit.visit_number,
        visit.kind,
        min(visit.visit_number) over (partition by visit.episode_id) as episode_number
    from fact_joined_visits as visit
),

judged as (
    select
        part.part,
        part.trips,
        coalesce(joined.episode_number, finding.visit_number) as episode_number,
        finding.found_failed
        or (
            finding.worn_out and coalesce(part.worn_is_failure, false)
            and case when joined.visit_number is null then visit.called else joined.kind = 'call_out' end
        ) as failed,
        coalesce(list_contains(part.silent_modes, mode.mode), false) as silent,
        finding.passed_hot,
        finding.passed_cold
    from findings as finding
    inner join fact_places as place on place.place_number = finding.place_number
    inner join parts as part on part.part = place.part
    inner join fact_visits as visit on visit.rowid = finding.visit_number
    left join fact_modes as mode on mode.mode_number = finding.mode_number
    left join joined on joined.visit_number = finding.visit_number
)

select
    judged.part,
    any_value(judged.trips) as trips,
    count(distinct judged.episode_number) filter (where judged.failed) as failures,
    count(distinct judged.episode_number) filter (where judged.failed and judged.silent) as silent_failures,
    count(*) filter (where judged.failed) as failed_findings,
    count(*) filter (where judged.failed and judged.silent) as silent_findings,
    count(*) filter (where judged.passed_hot) as passed_hot,
    count(*) filter (where judged.passed_cold and not judged.passed_hot) as passed_cold_only
from judged
group by judged.part

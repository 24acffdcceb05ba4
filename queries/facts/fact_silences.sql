-- name: fact_silences
-- answers: Of parts that can fail unseen, how many failures were of that kind, and how many tests passed?
-- grain: one row per part (failures are episodes)
-- inputs: stg_lines, stg_parts, fact_visits, fact_joined_visits
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

findings as (
    select
        line.job_id,
        line.part,
        bool_or(line.finding = 'failed') as found_failed,
        bool_or(line.finding = 'worn') and bool_or(line.action = 'replaced') as worn_out,
        max(line.mode) filter (where line.finding = 'failed') as mode,
        coalesce(bool_or(line.test = 'hot_cycle' and line.finding = 'working'), false) as passed_hot,
        coalesce(bool_or(line.test = 'cold_continuity' and line.finding = 'working'), false) as passed_cold
    from stg_lines as line
    where line.part in (select parts.part from parts)
    group by line.job_id, line.part, line.position
),

judged as (
    select
        finding.part,
        part.trips,
        coalesce(joined.episode_id, visit.job_id) as episode_id,
        finding.found_failed
        or (
            finding.worn_out and coalesce(part.worn_is_failure, false)
            and case when joined.visit_number is null then visit.called else joined.kind = 'call_out' end
        ) as failed,
        coalesce(list_contains(part.silent_modes, finding.mode), false) as silent,
        finding.passed_hot,
        finding.passed_cold
    from findings as finding
    inner join parts as part on part.part = finding.part
    inner join fact_visits as visit on visit.job_id = finding.job_id
    left join fact_joined_visits as joined on joined.visit_number = visit.rowid
)

select
    judged.part,
    any_value(judged.trips) as trips,
    count(distinct judged.episode_id) filter (where judged.failed) as failures,
    count(distinct judged.episode_id) filter (where judged.failed and judged.silent) as silent_failures,
    count(*) filter (where judged.failed) as failed_findings,
    count(*) filter (where judged.failed and judged.silent) as silent_findings,
    count(*) filter (where judged.passed_hot) as passed_hot,
    count(*) filter (where judged.passed_cold and not judged.passed_hot) as passed_cold_only
from judged
group by judged.part

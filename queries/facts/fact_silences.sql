-- name: fact_silences
-- answers: Of parts that can fail unseen, how many failures were of that kind, and how many tests passed?
-- grain: one row per part (failures are episodes)
-- inputs: fact_findings, stg_parts
-- params: none
-- choice: Findings are counted beside episodes: a failure may be looked at on several visits.
-- trap: A part is listed here before it is known whether it is silent: see lives_silent.
-- source: methods page, "Silent modes"
-- adds: sums failures, silent_failures, failed_findings, silent_findings, passed_hot, passed_cold_only
select
    finding.part,
    any_value(part.trips) as trips,
    count(distinct finding.episode_id) filter (where finding.failed) as failures,
    count(distinct finding.episode_id) filter (where finding.failed and finding.silent) as silent_failures,
    count(*) filter (where finding.failed) as failed_findings,
    count(*) filter (where finding.failed and finding.silent) as silent_findings,
    count(*) filter (where finding.passed_hot) as passed_hot,
    count(*) filter (where finding.passed_cold and not finding.passed_hot) as passed_cold_only
from fact_findings as finding
inner join stg_parts as part on part.part = finding.part
where len(part.silent_modes) > 0
group by finding.part

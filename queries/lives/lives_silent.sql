-- name: lives_silent
-- answers: Which parts fail without anybody noticing, and which part do they make fail?
-- grain: one row per part (failures are episodes)
-- inputs: fact_findings, stg_parts
-- params: none
-- choice: A part is silent when at least one in twenty of its failures is in a silent mode.
-- trap: The date of a silent failure in the records is the day it was discovered.
-- source: methods page, "Silent modes"
select
    finding.part,
    any_value(part.trips) as trips,
    count(distinct finding.episode_id) filter (where finding.failed) as failures,
    count(distinct finding.episode_id) filter (where finding.failed and finding.silent) as silent_failures,
    count(*) filter (where finding.passed_hot) as passed_hot,
    count(*) filter (where finding.passed_cold and not finding.passed_hot) as passed_cold_only
from fact_findings as finding
inner join stg_parts as part on part.part = finding.part
where len(part.silent_modes) > 0
group by finding.part
having count(*) filter (where finding.failed and finding.silent) >= 0.05 * count(*) filter (where finding.failed)
    and count(*) filter (where finding.failed and finding.silent) > 0
order by finding.part

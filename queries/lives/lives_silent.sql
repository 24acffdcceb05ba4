-- name: lives_silent
-- answers: Which parts fail without anybody noticing, and which part do they make fail?
-- grain: one row per part (failures are episodes)
-- inputs: fact_silences
-- params: none
-- choice: A part is silent when at least one in twenty of its failures is in a silent mode.
-- trap: The date of a silent failure in the records is the day it was discovered.
-- source: methods page, "Silent modes"
-- adds: company
select
    seen.part,
    seen.trips,
    seen.failures,
    seen.silent_failures,
    seen.passed_hot,
    seen.passed_cold_only
from fact_silences as seen
where seen.silent_findings >= 0.05 * seen.failed_findings
    and seen.silent_findings > 0
order by seen.part

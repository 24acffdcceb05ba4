-- name: quality_quarantine
-- answers: Which rows were refused, and why?
-- grain: one row per refused row still waiting
-- inputs: raw.quarantine
-- params: $limit (variable as_loaded)
-- choice: The column is the first that was wrong; all reasons are joined; the value never shows.
-- trap: Rows that wait for a refused parent are listed too; they come in with it.
-- source: contract, section 5
select batch, "table", file, line, "column", array_to_string(reasons, '; ') as reason
from raw.quarantine
where batch <= coalesce(getvariable('as_loaded'), batch)
    and (released_in is null or released_in > coalesce(getvariable('as_loaded'), 2147483647))
order by batch, "table", file, line
limit $limit

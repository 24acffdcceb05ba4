-- name: pairs_neglect
-- answers: On which days was each dryer's vent in which state?
-- grain: one row per unit, span of observation and neglect band (days from_day < day <= to_day)
-- inputs: fact_neglect
-- params: none
-- choice: The bands of `vents`: time since the last full-run cleaning.
-- trap: The state changes during a part's life: a life is cut where it does, not given one state.
-- source: methods page, "Neglect"
-- adds: rows; order unit_id
select unit_id, span, band, from_day, to_day
from fact_neglect
order by unit_id, span, from_day

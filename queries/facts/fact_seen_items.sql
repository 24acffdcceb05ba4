-- name: fact_seen_items
-- answers: Which items does any line name?
-- grain: one row per item
-- inputs: stg_lines
-- params: none (variables as_of, as_loaded)
-- choice: Fitted items only; what the catalogue lists is another table.
-- trap: A line counts here even where the filters leave its unit out.
-- source: methods page, first section
-- adds: distinct
select distinct line.item_id
from stg_lines as line
where line.item_id is not null

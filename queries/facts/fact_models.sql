-- name: fact_models
-- answers: Which families of units are there, and heated by what?
-- grain: one row per family and fuel, numbered
-- inputs: fact_seen_models
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Facts that pass over millions of rows join small numbers instead of words.
-- trap: The numbers hold for one session: they are no ids.
-- source: methods page, first section
-- adds: company
select
    model.family,
    model.fuel,
    cast(row_number() over (order by model.family, model.fuel) as integer) as model_number,
    cast(dense_rank() over (order by model.family) as integer) as family_number
from fact_seen_models as model

-- name: stg_clock
-- answers: What is the date of this session, and which span of records does it see?
-- grain: one row
-- inputs: raw.settings
-- params: none (variables as_of, records_from, since)
-- choice: The as-of date is event time; its default is the end of the records, never today.
-- trap: A connection on which as_of was not set fails here, loudly, instead of seeing no rows.
-- source: methods page, "Observation"
-- adds: company
select
    case
        when getvariable('as_of') is null
            then error('as_of is not set on this connection: set variable as_of = date ''2025-12-31''')
        else cast(getvariable('as_of') as date)
    end as as_of,
    greatest(
        coalesce(
            cast(getvariable('records_from') as date),  -- of the versions loaded by then
            (select cast(setting.value as date) from raw.settings as setting where setting.name = 'records_from')
        ),
        coalesce(cast(getvariable('since') as date), date '0001-01-01')
    ) as records_from

-- What the database holds, to compare with the journal: one look, however long the log.
-- Grain: one row. Parameters: none.
-- Columns: ledger (id), format, shape (hash of the schema files), position, recorded_at, root, peaks,
-- journal_bytes (bytes; from position on of the last seal, null before the first), seals (how many).
with fact as (
    select
        max(value) filter (where name = 'ledger') as ledger,
        max(value) filter (where name = 'format') as format,
        max(value) filter (where name = 'shape') as shape
    from meta
),

last_seal as (
    select
        max(position) as position,
        arg_max(recorded_at, position) as recorded_at,
        arg_max(root, position) as root,
        arg_max(peaks, position) as peaks,
        arg_max(journal_bytes, position) as journal_bytes,
        count(*) as seals
    from seal
)

select
    fact.ledger,
    fact.format,
    fact.shape,
    last_seal.position,
    last_seal.recorded_at,
    last_seal.root,
    last_seal.peaks,
    last_seal.journal_bytes,
    last_seal.seals
from fact
cross join last_seal

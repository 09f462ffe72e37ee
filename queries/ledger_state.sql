-- What the database holds, to compare with the journal: one look, however long the log.
-- Grain: one row. Parameters: none.
-- Columns: ledger (id), format, shape (hash of the schema files), position, recorded_at, root, peaks,
-- journal_bytes (bytes; from position on of the last seal, null before the first), seals (how many).
with last_seal as (
    select
        max(position) as position,
        count(*) as seals
    from seal
)

select
    (select value from meta where name = 'ledger') as ledger,
    (select value from meta where name = 'format') as format,
    (select value from meta where name = 'shape') as shape,
    seal.position,
    seal.recorded_at,
    seal.root,
    seal.peaks,
    seal.journal_bytes,
    last_seal.seals
from last_seal
left join seal on last_seal.position = seal.position

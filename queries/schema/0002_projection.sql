-- The projection: what the events have led to, kept so that a question need not replay them.
-- It can be dropped and rebuilt at any time; the log is in `event`.
-- Amounts are whole numbers of 10^-12 L or kg.

create table projected (
    position bigint not null,     -- the ledger's position that this projection stands for
    last_instant hugeint not null,-- order of the last event that moved something
    last_position bigint not null,
    body varchar not null         -- holds and other small state, as JSON
);

create table node (
    node bigint not null,
    position bigint not null,     -- of the event that made it
    lot varchar,
    vessel varchar,
    role varchar,
    fraction varchar,
    ferment bigint,
    mass hugeint not null,
    volume hugeint not null
);

create table edge (
    node bigint not null,
    parent bigint not null,
    amount hugeint not null
);

create table ferment (
    ferment bigint not null,
    position bigint not null,
    lot varchar not null,
    vessel varchar,
    organism varchar,
    regime varchar                -- JSON
);

create table lot_state (
    lot varchar not null,
    held boolean not null,
    sort varchar not null,
    span integer not null,        -- of the log, in which it changed last
    body varchar not null         -- JSON in UTF-8; holdings that are alike stand once, each since when; what left and what came as bottles; the label of each fill
);

create table vessel_state (
    vessel varchar not null,
    lot varchar not null
);

create table register (
    kind varchar not null,
    name varchar not null,
    instant hugeint not null,
    position bigint not null,
    fields varchar not null       -- JSON
);

-- A long log is told in spans; a stand is the end of one, and lot_before what a lot was at the end of a
-- span, where it changed in that one and again in a later one.

create table stand (
    span integer not null,        -- that ends here, from 1
    instant hugeint not null,     -- order of its last step
    position bigint not null,
    nodes bigint not null,        -- how many there were
    ferments bigint not null,
    holds varchar not null        -- in force, as JSON
);

create table lot_before (
    lot varchar not null,
    span integer not null,
    body varchar not null         -- JSON
);

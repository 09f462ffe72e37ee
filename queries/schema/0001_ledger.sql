-- The log as the database holds it, for asking. The journal beside it is the log.
--
-- meta   grain: one row a fact about the file: `format`, `ledger`, `shape`.
-- event  grain: one recorded event. position from 1; recorded_at UTC text that sorts;
--        leaf_hash and salt hex; id, kind and name lifted out of body for look-ups;
--        instant UTC microseconds since 1970 of the event's `at`; body canonical JSON.
-- seal   grain: one load. position of its last event; root hex; peaks hex, largest first,
--        comma between; journal_bytes the journal's length after it.
-- guard  never holds a row: the triggers that keep event and seal append-only insert into it,
--        and raise instead. They guard against accidents; the proof is the tree.

create table meta (
    name varchar primary key,
    value varchar not null
);

create table event (
    position integer primary key,
    recorded_at varchar not null,
    leaf_hash varchar not null,
    salt varchar not null,
    id varchar not null unique,
    kind varchar not null,
    name varchar,
    instant bigint not null,
    body varchar not null
);

create table seal (
    position integer primary key,
    recorded_at varchar not null,
    root varchar not null,
    peaks varchar not null,
    journal_bytes bigint not null
);

create table guard (
    says varchar
);

create trigger event_keeps_rows
after delete on event
referencing old table as gone
for each statement
insert into guard
select error('the log is append-only: no event is deleted; record a correction')
from gone;

create trigger event_keeps_values
after update on event
referencing old table as gone
for each statement
insert into guard
select error('the log is append-only: no event is changed; record a correction')
from gone;

create trigger seal_keeps_rows
after delete on seal
referencing old table as gone
for each statement
insert into guard
select error('the log is append-only: no seal is deleted')
from gone;

create trigger seal_keeps_values
after update on seal
referencing old table as gone
for each statement
insert into guard
select error('the log is append-only: no seal is changed')
from gone;

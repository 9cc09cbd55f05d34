-- The tables of version 0.1.0. A migration is never changed once it was given out: write the
-- next one. Statements end at an empty line; @schema@ is the name of the schema. Checks and
-- comments are not here: planner/store/schema.py makes them anew from the contracts.

create table @schema@.schema_versions (
  number integer primary key check (number > 0),
  written_by text not null default session_user,
  written_at timestamptz not null default clock_timestamp()
)

comment on table @schema@.schema_versions is 'one migration that was run; the highest is the version of this schema'

create function @schema@.refuse_change() returns trigger language plpgsql as $$
begin
  raise exception 'rows of table % are never changed by hand', tg_table_name using errcode = '23000';
end $$

create table @schema@.decisions (
  fid bigint generated always as identity,
  "version" bigint primary key check ("version" > 0),
  "pipe_id" text not null,
  "span_id" text not null default '',
  "decision" text not null,
  "by" text not null,
  "on" date not null,
  "reason" text not null,
  "value" text not null default '',
  "fingerprint" text not null default '',
  written_by text not null default session_user,
  written_at timestamptz not null default clock_timestamp()
)

create index decisions_pipe on @schema@.decisions ("pipe_id")

create trigger only_added before update or delete or truncate on @schema@.decisions
for each statement execute function @schema@.refuse_change()

create table @schema@.events (
  fid bigint generated always as identity,
  "event_id" text primary key,
  "kind" text not null,
  "work_id" text not null default '',
  "step" text not null default '',
  "pipe_id" text not null default '',
  "node_id" text not null default '',
  "from_m" double precision,
  "to_m" double precision,
  "at" text not null,
  "by" text not null,
  "crew" text not null default '',
  "reason" text not null default '',
  "until" date,
  "spent" boolean,
  "in_pipe" boolean,
  "find_from_m" double precision,
  "find_to_m" double precision,
  "inside_mm" double precision,
  "laterals_known_from_m" double precision,
  "laterals_known_to_m" double precision,
  "void_visible" boolean,
  "item" text not null default '',
  "system" text not null default '',
  "dn_mm" double precision,
  "length_m" double precision,
  "lot" text not null default '',
  "pieces_count" bigint,
  "mass_kg" double precision,
  "about" text not null default '',
  "photo" text not null default '',
  "note" text not null default '',
  "works" text not null default '',
  written_by text not null default session_user,
  written_at timestamptz not null default clock_timestamp()
)

create index events_fid on @schema@.events (fid)

create index events_pipe on @schema@.events ("pipe_id")

create trigger only_added before update or delete or truncate on @schema@.events
for each statement execute function @schema@.refuse_change()

create table @schema@.ids (
  fid bigint generated always as identity,
  "kind" text not null,
  "id" text not null,
  "pipe_id" text not null,
  "from_m" double precision not null,
  "to_m" double precision not null,
  "step" text not null default '',
  "live" boolean not null,
  primary key ("kind", "id")
)

create index ids_fid on @schema@.ids (fid)

create index ids_pipe on @schema@.ids ("pipe_id")

create table @schema@.setup_ids (
  fid bigint generated always as identity,
  "setup_id" text not null,
  "node_id" text not null,
  "work_id" text not null,
  primary key ("setup_id", "work_id")
)

create index setup_ids_fid on @schema@.setup_ids (fid)

create table @schema@.revisions (
  fid bigint generated always as identity,
  "version" bigint primary key check ("version" > 0),
  "by" text not null,
  "on" date not null,
  "reason" text not null,
  "run" text not null,
  written_by text not null default session_user,
  written_at timestamptz not null default clock_timestamp()
)

create trigger only_added before update or delete or truncate on @schema@.revisions
for each statement execute function @schema@.refuse_change()

create table @schema@.revision_choices (
  fid bigint generated always as identity,
  "version" bigint not null references @schema@.revisions ("version"),
  "pipe_id" text not null,
  "method" text not null,
  "state" text not null,
  "cost_cents" bigint,
  "by" text not null default '',
  "fingerprint" text not null,
  primary key ("version", "pipe_id")
)

create trigger only_added before update or delete or truncate on @schema@.revision_choices
for each statement execute function @schema@.refuse_change()

create table @schema@.pushes (
  number bigint generated always as identity primary key,
  run text not null check (run <> ''),
  layers jsonb not null,
  record jsonb not null,
  written_by text not null default session_user,
  written_at timestamptz not null default clock_timestamp()
)

comment on table @schema@.pushes is 'one run whose tables were pushed; those of the last one stand in the schema beside'

comment on column @schema@.pushes.layers is 'rows, and number of the system of coordinates, of each table'

comment on column @schema@.pushes.record is 'run.json of the run'

create trigger only_added before update or delete or truncate on @schema@.pushes
for each statement execute function @schema@.refuse_change()

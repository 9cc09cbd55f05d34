-- What the page takes in: changes of the week; when a decision was taken, and what was opened.

alter table @schema@.decisions
  add column "at" text not null default '',
  add column "opened" text not null default ''

create table @schema@.week_edits (
  fid bigint generated always as identity,
  "version" bigint primary key check ("version" > 0),
  "setup_id" text not null,
  "change" text not null,
  "crew" text not null default '',
  "date" date,
  "after_id" text not null default '',
  "by" text not null,
  "on" date not null,
  "reason" text not null,
  "at" text not null,
  "run" text not null,
  written_by text not null default session_user,
  written_at timestamptz not null default clock_timestamp()
)

create index week_edits_setup on @schema@.week_edits ("setup_id")

create trigger only_added before update or delete or truncate on @schema@.week_edits
for each statement execute function @schema@.refuse_change()

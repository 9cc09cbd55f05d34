-- Prices that people changed: in the store, so that plan, page and workbook agree.

create table @schema@.price_edits (
  fid bigint generated always as identity,
  "version" bigint primary key check ("version" > 0),
  "price_id" text not null,
  "amount" text not null,
  "old_cents" bigint not null,
  "new_cents" bigint not null,
  "by" text not null,
  "on" date not null,
  "reason" text not null,
  "at" text not null default '',
  written_by text not null default session_user,
  written_at timestamptz not null default clock_timestamp()
)

create index price_edits_fid on @schema@.price_edits (fid)

create index price_edits_price on @schema@.price_edits ("price_id")

create trigger only_added before update or delete or truncate on @schema@.price_edits
for each statement execute function @schema@.refuse_change()

//! Tables of what is to be told: the crate `tell` keeps its queue in them, by a connection of its own.

/// Steps of these tables, oldest first.
pub(crate) const MIGRATIONS: &[&str] = &["
create table tell_messages (
  id integer primary key,
  key text not null,
  route text not null,
  alarm text,
  kind text not null,
  priority integer not null,
  at_ms integer not null,
  due_ms integer not null,
  subject text not null,
  body text not null,
  state text not null default 'waiting' check (state in ('waiting', 'sent', 'given-up', 'withdrawn')),
  done_ms integer,
  answer text not null default '',
  unique (key, route)
) strict;
create index tell_waiting on tell_messages (route, due_ms) where state = 'waiting';
create index tell_done on tell_messages (done_ms) where state <> 'waiting';
create table tell_standing (
  alarm text primary key,
  priority integer not null,
  raised_ms integer not null,
  n_told integer not null,
  next_ms integer,
  subject text not null,
  body text not null
) strict;
create table tell_routes (
  route text primary key,
  n_failures integer not null default 0,
  failing_since_ms integer,
  is_failure_told integer not null default 0,
  next_try_ms integer not null default 0,
  last_sent_ms integer,
  answer text not null default ''
) strict;
"];

"""Tables of the store, their version, and the way forward from older versions."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Mapping

VERSION = 1
APPLICATION_ID = 0x434C4447
"""Marks the file as ours in the header of the database."""
PAGE_SIZE = 1024
"""Small pages: a window changes one page, and a card writes what it must."""

DDL = """
create table meta (key text primary key, value text not null);
create table boot (
    id integer primary key,
    recorder text not null,
    number integer,
    ordinal integer not null default 0,
    identity text not null default '',
    source text not null,
    first real, last real,
    wall_first_uptime real, wall_first real,
    wall_last_uptime real, wall_last real
);
create index boot_recorder on boot (recorder, number);
create table anchor (
    id integer primary key,
    tag text not null default 'campledger anchor',
    boot integer not null references boot (id),
    uptime real not null, time_utc real not null,
    kind text not null, bound real not null, source text not null default ''
);
create table channel (id integer primary key, name text not null unique);
create table window (
    id integer primary key,
    boot integer not null, first real not null, last real not null,
    rows integer not null,
    wall_first_uptime real, wall_first real,
    wall_last_uptime real, wall_last real,
    blob blob not null, state blob
);
create table grp (
    id integer primary key,
    boot integer not null, first real not null, last real not null,
    rows integer not null, sampling integer not null, axis blob not null
);
create index grp_boot on grp (boot, last);
create table col (
    id integer primary key,
    grp integer not null, channel integer not null,
    codec integer not null, crc integer not null, good integer not null,
    blob blob not null
);
create unique index col_grp on col (grp, channel);
create table minutes (
    id integer primary key,
    grp integer not null, channel integer not null,
    origin real not null, rate real not null,
    carry real, tail real,
    charge real not null, covered real not null,
    first_minute integer not null, count integer not null, blob blob not null
);
create unique index minutes_grp on minutes (grp, channel);
create table doc (
    id integer primary key,
    tag text not null, kind text not null,
    time_utc real, key text not null, body text not null
);
create index doc_kind on doc (kind, time_utc);
create table counter (
    key text not null, name text not null, count integer not null,
    primary key (key, name)
);
create table state (key text primary key, time_utc real, blob blob not null);
create table change (id integer primary key, from_utc real not null);
create table kept (
    id integer primary key,
    key text not null, fingerprint text not null, last_utc real not null,
    change integer not null, blob blob not null
);
create index kept_key on kept (key, fingerprint, last_utc);
"""

MIGRATIONS: Mapping[int, Callable[[sqlite3.Connection], None]] = {}
"""From version n to n + 1; each runs in its own transaction with the new number."""

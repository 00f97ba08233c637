-- Photographs at the lines of an event, small pictures of them, photographs that wait while a form is looked at once more; and the
-- words that everything is found by.

-- Which line of a service event it shows, as a JSON Pointer into the event: /work/0.
alter table attachment add column line TEXT;

-- A small picture, addressed by the SHA-256 of the file that it was made of. One without a width says that none could be made.
create table thumbnail (
    workshop_id BLOB not null references workshop (workshop_id),
    sha256 TEXT not null,
    width INTEGER not null,
    height INTEGER not null,
    content BLOB not null,
    primary key (workshop_id, sha256)
) strict;

create table photo_draft (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    entered_by BLOB,
    name TEXT not null,
    media_type TEXT not null,
    content BLOB not null,
    created_at INTEGER not null,
    primary key (workshop_id, id)
) strict;
create index photo_draft_age on photo_draft (workshop_id, created_at);

-- What can be found, one row for each thing: what is shown of it, one piece on each line, and its words folded to plain small letters.
-- Derived from the other tables: written with them, left out of exports, made again where search_state says that it is old.
create table search_entry (
    entry INTEGER not null primary key,
    workshop_id BLOB not null references workshop (workshop_id),
    kind TEXT not null,
    id BLOB not null,
    motorcycle_id BLOB,
    event_id BLOB,
    on_date TEXT not null,
    struck INTEGER not null,
    pieces TEXT not null,
    internal TEXT not null,
    tenant TEXT not null,
    words TEXT not null,
    internal_words TEXT not null,
    unique (workshop_id, id, kind)
) strict;
create index search_entry_motorcycle on search_entry (workshop_id, motorcycle_id);

create virtual table search_word using fts5 (
    tenant, words, internal_words, content = 'search_entry', content_rowid = 'entry', tokenize = 'ascii', prefix = '2 3'
);
-- What is taken out of the index is gone from the file, too: a person who is erased.
insert into search_word (search_word, rank) values ('secure-delete', 1);
create trigger search_entry_added after insert on search_entry begin
    insert into search_word (rowid, tenant, words, internal_words) values (new.entry, new.tenant, new.words, new.internal_words);
end;
create trigger search_entry_gone after delete on search_entry begin
    insert into search_word (search_word, rowid, tenant, words, internal_words)
    values ('delete', old.entry, old.tenant, old.words, old.internal_words);
end;
create trigger search_entry_changed after update on search_entry begin
    insert into search_word (search_word, rowid, tenant, words, internal_words)
    values ('delete', old.entry, old.tenant, old.words, old.internal_words);
    insert into search_word (rowid, tenant, words, internal_words) values (new.entry, new.tenant, new.words, new.internal_words);
end;

-- By which way of making words a workshop's entries were made; a workshop without a row has none yet.
create table search_state (
    workshop_id BLOB not null primary key references workshop (workshop_id),
    version INTEGER not null
) strict;

-- What was written since its entry was made: every way of writing leaves it here, and the end of the transaction takes it up.
create table search_stale (
    workshop_id BLOB not null references workshop (workshop_id),
    kind TEXT not null,
    id BLOB not null,
    primary key (workshop_id, kind, id)
) strict;
create trigger search_stale_event_new after insert on service_event begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.id);
end;
create trigger search_stale_event after update on service_event begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.id);
end;
create trigger search_stale_line_new after insert on work_line begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.service_event_id);
end;
create trigger search_stale_line after update on work_line begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.service_event_id);
end;
create trigger search_stale_amendment_new after insert on amendment begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.service_event_id);
end;
create trigger search_stale_amendment after update on amendment begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.service_event_id);
end;
create trigger search_stale_follow_up_new after insert on follow_up begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.service_event_id);
end;
create trigger search_stale_follow_up after update on follow_up begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.service_event_id);
end;
create trigger search_stale_value_new after insert on measured_value when new.service_event_id is not null begin
    insert or ignore into search_stale values (new.workshop_id, 'service_event', new.service_event_id);
end;
create trigger search_stale_part_new after insert on installed_part begin
    insert or ignore into search_stale values (new.workshop_id, 'installed_part', new.id);
end;
create trigger search_stale_part after update on installed_part begin
    insert or ignore into search_stale values (new.workshop_id, 'installed_part', new.id);
end;
create trigger search_stale_fitting_new after insert on fitting begin
    insert or ignore into search_stale values (new.workshop_id, 'installed_part', new.part_id);
end;
create trigger search_stale_fitting after update on fitting begin
    insert or ignore into search_stale values (new.workshop_id, 'installed_part', new.part_id);
end;
create trigger search_stale_attachment_new after insert on attachment begin
    insert or ignore into search_stale values (new.workshop_id, 'attachment', new.id);
end;
create trigger search_stale_attachment after update on attachment begin
    insert or ignore into search_stale values (new.workshop_id, 'attachment', new.id);
end;

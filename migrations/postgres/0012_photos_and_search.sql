-- Photographs at the lines of an event, small pictures of them, photographs that wait while a form is looked at once more; and the
-- words that everything is found by.

-- Which line of a service event it shows, as a JSON Pointer into the event: /work/0.
alter table attachment add column line text;

-- A small picture, addressed by the SHA-256 of the file that it was made of. One without a width says that none could be made.
create table thumbnail (
    workshop_id uuid not null references workshop (workshop_id),
    sha256 text not null,
    width bigint not null,
    height bigint not null,
    content bytea not null,
    primary key (workshop_id, sha256)
);

create table photo_draft (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    entered_by uuid,
    name text not null,
    media_type text not null,
    content bytea not null,
    created_at bigint not null,
    primary key (workshop_id, id)
);
create index photo_draft_age on photo_draft (workshop_id, created_at);

-- What can be found, one row for each thing: what is shown of it, one piece on each line, and its words folded to plain small letters.
-- Derived from the other tables: written with them, left out of exports, made again where search_state says that it is old.
create table search_entry (
    entry bigint generated always as identity primary key,
    workshop_id uuid not null references workshop (workshop_id),
    kind text not null,
    id uuid not null,
    motorcycle_id uuid,
    event_id uuid,
    on_date date not null,
    struck boolean not null,
    pieces text not null,
    internal text not null,
    tenant text not null,
    words text not null,
    internal_words text not null,
    -- Words are split and folded before they come here, so that both engines find the same.
    found_by tsvector not null generated always as (array_to_tsvector(string_to_array(words, ' '))) stored,
    found_inside_by tsvector not null generated always as
        (array_to_tsvector(string_to_array(trim(words || ' ' || internal_words), ' '))) stored,
    unique (workshop_id, id, kind)
);
create index search_entry_motorcycle on search_entry (workshop_id, motorcycle_id);
create index search_entry_found_by on search_entry using gin (found_by);
create index search_entry_found_inside_by on search_entry using gin (found_inside_by);

-- By which way of making words a workshop's entries were made; a workshop without a row has none yet.
create table search_state (
    workshop_id uuid not null primary key references workshop (workshop_id),
    version bigint not null
);

-- What was written since its entry was made: every way of writing leaves it here, and the end of the transaction takes it up.
create table search_stale (
    workshop_id uuid not null references workshop (workshop_id),
    kind text not null,
    id uuid not null,
    primary key (workshop_id, kind, id)
);
create function search_stale_event() returns trigger language plpgsql as $$
begin
    insert into search_stale values (new.workshop_id, 'service_event', new.id) on conflict do nothing;
    return null;
end $$;
create function search_stale_of_event() returns trigger language plpgsql as $$
begin
    if new.service_event_id is not null then
        insert into search_stale values (new.workshop_id, 'service_event', new.service_event_id) on conflict do nothing;
    end if;
    return null;
end $$;
create function search_stale_part() returns trigger language plpgsql as $$
begin
    insert into search_stale values (new.workshop_id, 'installed_part', new.id) on conflict do nothing;
    return null;
end $$;
create function search_stale_fitting() returns trigger language plpgsql as $$
begin
    insert into search_stale values (new.workshop_id, 'installed_part', new.part_id) on conflict do nothing;
    return null;
end $$;
create function search_stale_attachment() returns trigger language plpgsql as $$
begin
    insert into search_stale values (new.workshop_id, 'attachment', new.id) on conflict do nothing;
    return null;
end $$;
create trigger search_stale after insert or update on service_event for each row execute function search_stale_event();
create trigger search_stale after insert or update on work_line for each row execute function search_stale_of_event();
create trigger search_stale after insert or update on amendment for each row execute function search_stale_of_event();
create trigger search_stale after insert or update on follow_up for each row execute function search_stale_of_event();
create trigger search_stale after insert on measured_value for each row execute function search_stale_of_event();
create trigger search_stale after insert or update on installed_part for each row execute function search_stale_part();
create trigger search_stale after insert or update on fitting for each row execute function search_stale_fitting();
create trigger search_stale after insert or update on attachment for each row execute function search_stale_attachment();

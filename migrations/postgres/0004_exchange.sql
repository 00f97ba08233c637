-- Files on their way in, and calendars on their way out.

-- A file that was uploaded on a page and is still being looked at. It goes when it was imported, or after a day.
create table import_draft (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    kind text not null,
    name text not null,
    content bytea not null,
    created_at bigint not null,
    primary key (workshop_id, id)
);

-- An address that a calendar program fetches. Of its secret only a hash is kept. One that sees a part of the workshop names the owner or the motorcycle.
create table calendar (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    motorcycle_id uuid,
    owner_id uuid,
    made_by text not null,
    -- The person or token: what a person made goes when they leave, or become something else.
    made_by_id uuid,
    secret_hash bytea not null unique,
    deleted_at bigint,
    created_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, owner_id) references owner (workshop_id, id)
);

-- What calendars were last told about a due item: how often and when its entry changed. It outlives the item, since programs remember it.
create table calendar_entry (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    content_hash bytea not null,
    sequence bigint not null,
    changed_at bigint not null,
    primary key (workshop_id, id)
);

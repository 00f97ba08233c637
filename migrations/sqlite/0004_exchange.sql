-- Files on their way in, and calendars on their way out.

-- A file that was uploaded on a page and is still being looked at. It goes when it was imported, or after a day.
create table import_draft (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    kind TEXT not null,
    name TEXT not null,
    content BLOB not null,
    created_at INTEGER not null,
    primary key (workshop_id, id)
) strict;

-- An address that a calendar program fetches. Of its secret only a hash is kept. One that sees a part of the workshop names the owner or the motorcycle.
create table calendar (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    motorcycle_id BLOB,
    owner_id BLOB,
    made_by TEXT not null,
    -- The person or token: what a person made goes when they leave, or become something else.
    made_by_id BLOB,
    secret_hash BLOB not null unique,
    deleted_at INTEGER,
    created_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, owner_id) references owner (workshop_id, id)
) strict;

-- What calendars were last told about a due item: how often and when its entry changed. It outlives the item, since programs remember it.
create table calendar_entry (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    content_hash BLOB not null,
    sequence INTEGER not null,
    changed_at INTEGER not null,
    primary key (workshop_id, id)
) strict;

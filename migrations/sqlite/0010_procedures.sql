-- Procedures. What a procedure says stands in its versions, of which the newest holds; none is ever changed.
create table procedure (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    deleted_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id)
) strict;

create table procedure_version (
    workshop_id BLOB not null,
    id BLOB not null,
    procedure_id BLOB not null,
    version INTEGER not null,
    title TEXT not null,
    component TEXT not null,
    motorcycle_id BLOB,
    body TEXT not null,
    written_by TEXT not null,
    created_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, procedure_id) references procedure (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create unique index procedure_version_number on procedure_version (workshop_id, procedure_id, version);
create index procedure_version_motorcycle on procedure_version (workshop_id, motorcycle_id, procedure_id);

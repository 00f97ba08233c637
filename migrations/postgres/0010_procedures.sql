-- Procedures. What a procedure says stands in its versions, of which the newest holds; none is ever changed.
create table procedure (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    deleted_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id)
);

create table procedure_version (
    workshop_id uuid not null,
    id uuid not null,
    procedure_id uuid not null,
    version bigint not null,
    title text not null,
    component text not null,
    motorcycle_id uuid,
    body text not null,
    written_by text not null,
    created_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, procedure_id) references procedure (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create unique index procedure_version_number on procedure_version (workshop_id, procedure_id, version);
create index procedure_version_motorcycle on procedure_version (workshop_id, motorcycle_id, procedure_id);

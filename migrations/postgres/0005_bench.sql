-- The times in which motorcycles stand. They may be taken away again: nothing refers to them.
create table lay_up (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    motorcycle_id uuid not null,
    from_date date not null,
    to_date date,
    note text not null,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index lay_up_newest on lay_up (workshop_id, motorcycle_id, from_date desc, id desc);

-- The times in which motorcycles stand. They may be taken away again: nothing refers to them.
create table lay_up (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    motorcycle_id BLOB not null,
    from_date TEXT not null,
    to_date TEXT,
    note TEXT not null,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index lay_up_newest on lay_up (workshop_id, motorcycle_id, from_date desc, id desc);

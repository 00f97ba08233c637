-- Motorcycles that are offered: to another owner of the workshop, or by a secret link to another workshop on this server.
create table offer (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    motorcycle_id BLOB not null,
    -- Whose it was when it was offered: where it has changed hands since, the offer is no longer what was meant.
    from_owner_id BLOB,
    to_owner_id BLOB,
    to_email TEXT,
    secret_hash BLOB unique,
    state TEXT not null,
    expires_at INTEGER not null,
    settled_at INTEGER,
    created_by TEXT not null,
    created_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, to_owner_id) references owner (workshop_id, id)
) strict;
create index offer_motorcycle on offer (workshop_id, motorcycle_id, id desc);
create index offer_to_owner on offer (workshop_id, to_owner_id, id);

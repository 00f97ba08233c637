-- Motorcycles that are offered: to another owner of the workshop, or by a secret link to another workshop on this server.
create table offer (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    motorcycle_id uuid not null,
    -- Whose it was when it was offered: where it has changed hands since, the offer is no longer what was meant.
    from_owner_id uuid,
    to_owner_id uuid,
    to_email text,
    secret_hash bytea unique,
    state text not null,
    expires_at bigint not null,
    settled_at bigint,
    created_by text not null,
    created_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, to_owner_id) references owner (workshop_id, id)
);
create index offer_motorcycle on offer (workshop_id, motorcycle_id, id desc);
create index offer_to_owner on offer (workshop_id, to_owner_id, id);

-- What a workshop signs its packets with: an Ed25519 seed (RFC 8032), made when it is first needed. It never leaves the server but in a backup.
create table workshop_key (
    workshop_id uuid not null primary key references workshop (workshop_id),
    seed bytea not null,
    created_at bigint not null
);

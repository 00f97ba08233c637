-- What a workshop signs its packets with: an Ed25519 seed (RFC 8032), made when it is first needed. It never leaves the server but in a backup.
create table workshop_key (
    workshop_id BLOB not null primary key references workshop (workshop_id),
    seed BLOB not null,
    created_at INTEGER not null
) strict;

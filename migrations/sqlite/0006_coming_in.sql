-- How people come in: invitations, sessions that can be told apart, a second factor, links to a new password, and the slowing down of guesses.

-- What the workshop calls a person, and the id under which it knows them: another workshop's are its own.
alter table membership add column id BLOB;
alter table membership add column name TEXT not null default '';
update membership set id = person_id, name = (select person.name from person where person.person_id = membership.person_id);
create unique index membership_id on membership (workshop_id, id);

alter table session add column id BLOB;
alter table session add column seen_at INTEGER not null default 0;
alter table session add column user_agent TEXT not null default '';
alter table session add column address TEXT not null default '';
update session set id = randomblob(16), seen_at = created_at;
create index session_person on session (person_id);

create table invitation (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    email TEXT not null,
    name TEXT not null,
    roles TEXT not null,
    owner_id BLOB,
    secret_hash BLOB not null unique,
    expires_at INTEGER not null,
    created_at INTEGER not null,
    primary key (workshop_id, id)
) strict;
create unique index invitation_email on invitation (workshop_id, email);

-- A link to a new password. One that a manager made holds only while the person belongs to that workshop alone.
create table reset_link (
    secret_hash BLOB not null primary key,
    person_id BLOB not null references person (person_id),
    workshop_id BLOB references workshop (workshop_id),
    expires_at INTEGER not null
) strict;
create index reset_link_person on reset_link (person_id);

-- The password was right; the code of the second factor is still to come. The invitation is accepted with it.
create table sign_in_step (
    secret_hash BLOB not null primary key,
    person_id BLOB not null references person (person_id),
    invitation_hash BLOB,
    expires_at INTEGER not null
) strict;
create index sign_in_step_person on sign_in_step (person_id);

-- An e-mail address changes once both the old and the new one have confirmed it.
create table email_change (
    person_id BLOB not null primary key references person (person_id),
    email TEXT not null,
    old_hash BLOB not null unique,
    new_hash BLOB not null unique,
    old_confirmed_at INTEGER,
    new_confirmed_at INTEGER,
    expires_at INTEGER not null
) strict;

create table second_factor (
    person_id BLOB not null primary key references person (person_id),
    secret BLOB not null,
    confirmed_at INTEGER,
    last_step INTEGER not null
) strict;

create table recovery_code (
    person_id BLOB not null references person (person_id),
    code_hash BLOB not null,
    used_at INTEGER,
    primary key (person_id, code_hash)
) strict;

-- Repeated failures, by a hash of what is guessed at or of where it comes from; shared by every server on this database.
create table throttle (
    key BLOB not null primary key,
    failures INTEGER not null,
    blocked_until INTEGER not null,
    last_at INTEGER not null
) strict;
create index throttle_age on throttle (last_at);

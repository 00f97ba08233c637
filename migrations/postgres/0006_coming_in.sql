-- How people come in: invitations, sessions that can be told apart, a second factor, links to a new password, and the slowing down of guesses.

-- What the workshop calls a person, and the id under which it knows them: another workshop's are its own.
alter table membership add column id uuid;
alter table membership add column name text not null default '';
update membership set id = person_id, name = (select person.name from person where person.person_id = membership.person_id);
create unique index membership_id on membership (workshop_id, id);

alter table session add column id uuid;
alter table session add column seen_at bigint not null default 0;
alter table session add column user_agent text not null default '';
alter table session add column address text not null default '';
update session set id = gen_random_uuid(), seen_at = created_at;
create index session_person on session (person_id);

create table invitation (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    email text not null,
    name text not null,
    roles text not null,
    owner_id uuid,
    secret_hash bytea not null unique,
    expires_at bigint not null,
    created_at bigint not null,
    primary key (workshop_id, id)
);
create unique index invitation_email on invitation (workshop_id, email);

-- A link to a new password. One that a manager made holds only while the person belongs to that workshop alone.
create table reset_link (
    secret_hash bytea not null primary key,
    person_id uuid not null references person (person_id),
    workshop_id uuid references workshop (workshop_id),
    expires_at bigint not null
);
create index reset_link_person on reset_link (person_id);

-- The password was right; the code of the second factor is still to come. The invitation is accepted with it.
create table sign_in_step (
    secret_hash bytea not null primary key,
    person_id uuid not null references person (person_id),
    invitation_hash bytea,
    expires_at bigint not null
);
create index sign_in_step_person on sign_in_step (person_id);

-- An e-mail address changes once both the old and the new one have confirmed it.
create table email_change (
    person_id uuid not null primary key references person (person_id),
    email text not null,
    old_hash bytea not null unique,
    new_hash bytea not null unique,
    old_confirmed_at bigint,
    new_confirmed_at bigint,
    expires_at bigint not null
);

create table second_factor (
    person_id uuid not null primary key references person (person_id),
    secret bytea not null,
    confirmed_at bigint,
    last_step bigint not null
);

create table recovery_code (
    person_id uuid not null references person (person_id),
    code_hash bytea not null,
    used_at bigint,
    primary key (person_id, code_hash)
);

-- Repeated failures, by a hash of what is guessed at or of where it comes from; shared by every server on this database.
create table throttle (
    key bytea not null primary key,
    failures bigint not null,
    blocked_until bigint not null,
    last_at bigint not null
);
create index throttle_age on throttle (last_at);

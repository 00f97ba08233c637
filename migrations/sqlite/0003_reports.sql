-- The outbox: letters to people, written in the transaction of what they tell of, and sent until a server accepts them.
create table letter (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    kind TEXT not null,
    recipient TEXT not null,
    recipient_name TEXT not null,
    subject TEXT not null,
    text TEXT not null,
    html TEXT not null,
    headers TEXT not null,
    message_id TEXT not null,
    status TEXT not null,
    attempts INTEGER not null,
    next_try_at INTEGER not null,
    -- The sender that has it in hand, and until when it counts as alive unless it says so again.
    claimed_by BLOB,
    claimed_until INTEGER not null,
    last_answer TEXT not null,
    settled_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id)
) strict;
create index letter_pending on letter (status, next_try_at, id);

-- Whom reports go to: an owner, or an address of the workshop's settings. The secret stands in the address by which they can be stopped.
create table report_recipient (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    owner_id BLOB,
    address TEXT not null,
    secret TEXT not null unique,
    -- Reports whose hour came before this are not sent late: nobody had asked for them yet.
    since INTEGER not null,
    stopped_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, owner_id) references owner (workshop_id, id)
) strict;
create index report_recipient_owner on report_recipient (workshop_id, owner_id, address);

-- One report of one recipient for one period, named by the day it falls on. Its row says that it was looked after, with or without a letter.
create table report (
    workshop_id BLOB not null,
    recipient_id BLOB not null,
    period TEXT not null,
    -- The day that it is about.
    about TEXT not null,
    letter_id BLOB,
    told TEXT not null,
    created_at INTEGER not null,
    primary key (workshop_id, recipient_id, period),
    foreign key (workshop_id, recipient_id) references report_recipient (workshop_id, id),
    foreign key (workshop_id, letter_id) references letter (workshop_id, id)
) strict;
create index report_letter on report (workshop_id, letter_id);

-- So that those who get reports are found among those who do not.
alter table owner add column reports_frequency TEXT not null default 'off';
update owner set reports_frequency = 'daily' where body like '%"frequency":"daily"%';
update owner set reports_frequency = 'weekly' where body like '%"frequency":"weekly"%';
update owner set reports_frequency = 'monthly' where body like '%"frequency":"monthly"%';
create index owner_reports on owner (workshop_id, reports_frequency, id);
create index report_period on report (workshop_id, period, recipient_id);

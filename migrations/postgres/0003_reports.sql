-- The outbox: letters to people, written in the transaction of what they tell of, and sent until a server accepts them.
create table letter (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    kind text not null,
    recipient text not null,
    recipient_name text not null,
    subject text not null,
    text text not null,
    html text not null,
    headers text not null,
    message_id text not null,
    status text not null,
    attempts bigint not null,
    next_try_at bigint not null,
    -- The sender that has it in hand, and until when it counts as alive unless it says so again.
    claimed_by uuid,
    claimed_until bigint not null,
    last_answer text not null,
    settled_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id)
);
create index letter_pending on letter (status, next_try_at, id);

-- Whom reports go to: an owner, or an address of the workshop's settings. The secret stands in the address by which they can be stopped.
create table report_recipient (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    owner_id uuid,
    address text not null,
    secret text not null unique,
    -- Reports whose hour came before this are not sent late: nobody had asked for them yet.
    since bigint not null,
    stopped_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, owner_id) references owner (workshop_id, id)
);
create index report_recipient_owner on report_recipient (workshop_id, owner_id, address);

-- One report of one recipient for one period, named by the day it falls on. Its row says that it was looked after, with or without a letter.
create table report (
    workshop_id uuid not null,
    recipient_id uuid not null,
    period date not null,
    -- The day that it is about.
    about date not null,
    letter_id uuid,
    told text not null,
    created_at bigint not null,
    primary key (workshop_id, recipient_id, period),
    foreign key (workshop_id, recipient_id) references report_recipient (workshop_id, id),
    foreign key (workshop_id, letter_id) references letter (workshop_id, id)
);
create index report_letter on report (workshop_id, letter_id);

-- So that those who get reports are found among those who do not.
alter table owner add column reports_frequency text not null default 'off';
update owner set reports_frequency = 'daily' where body like '%"frequency":"daily"%';
update owner set reports_frequency = 'weekly' where body like '%"frequency":"weekly"%';
update owner set reports_frequency = 'monthly' where body like '%"frequency":"monthly"%';
create index owner_reports on owner (workshop_id, reports_frequency, id);
create index report_period on report (workshop_id, period, recipient_id);

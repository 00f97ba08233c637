-- The first schema. Keys begin with workshop_id everywhere: it is the tenant boundary, and the shard key on a distributed engine.
-- Instants are whole microseconds since 1970 (UTC), so that both engines order them alike. Nested values are JSON text, digits as entered.

create table workshop (
    workshop_id uuid not null primary key,
    name text not null,
    time_zone text not null,
    default_unit text not null,
    currency text not null,
    default_yearly_distance text not null,
    reports text not null,
    created_at bigint not null,
    updated_at bigint not null
);

-- A person may have roles in several workshops, so the account itself belongs to none.
create table person (
    person_id uuid not null primary key,
    email text not null unique,
    name text not null,
    password_hash text not null,
    created_at bigint not null
);

create table membership (
    workshop_id uuid not null references workshop (workshop_id),
    person_id uuid not null references person (person_id),
    roles text not null,
    created_at bigint not null,
    primary key (workshop_id, person_id)
);
create index membership_person on membership (person_id);

create table session (
    token_hash bytea not null primary key,
    person_id uuid not null references person (person_id),
    workshop_id uuid not null references workshop (workshop_id),
    created_at bigint not null,
    expires_at bigint not null
);

create table api_token (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    name text not null,
    scopes text not null,
    expires_on date,
    token_hash bytea not null unique,
    created_by text not null,
    last_used_at bigint,
    revoked_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id)
);

create table owner (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    name text not null,
    body text not null,
    deleted_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id)
);
create index owner_name on owner (workshop_id, name, id);

create table motorcycle (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    owner_id uuid,
    name text not null,
    registration text,
    vin text,
    words text not null,
    odometer_unit text not null,
    body text not null,
    last_reading text,
    archived_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, owner_id) references owner (workshop_id, id)
);
create index motorcycle_name on motorcycle (workshop_id, name, id);
create index motorcycle_owner on motorcycle (workshop_id, owner_id, id);
create index motorcycle_vin on motorcycle (workshop_id, vin);

create table service_event (
    workshop_id uuid not null,
    id uuid not null,
    motorcycle_id uuid not null,
    on_date date not null,
    odometer text,
    hours text,
    unit text not null,
    summary text not null,
    performed_by text,
    notes text not null,
    body text not null,
    signature text,
    struck_at bigint,
    struck_reason text,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index service_event_newest on service_event (workshop_id, motorcycle_id, on_date desc, id desc);

create table work_line (
    workshop_id uuid not null,
    service_event_id uuid not null,
    line bigint not null,
    motorcycle_id uuid not null,
    component text not null,
    position text,
    operation text not null,
    note text not null,
    primary key (workshop_id, service_event_id, line),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id)
);
create index work_line_motorcycle on work_line (workshop_id, motorcycle_id, component, operation);

create table amendment (
    workshop_id uuid not null,
    id uuid not null,
    service_event_id uuid not null,
    on_date date not null,
    written_by text not null,
    text text not null,
    created_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id)
);
create index amendment_event on amendment (workshop_id, service_event_id, id);

-- Odometers and hour meters alike: a counter is a counter.
create table reading (
    workshop_id uuid not null,
    id uuid not null,
    motorcycle_id uuid not null,
    counter text not null,
    on_date date not null,
    reading text not null,
    unit text not null,
    read_by text,
    confirmed boolean not null,
    service_event_id uuid,
    struck_at bigint,
    struck_reason text,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id)
);
create index reading_newest on reading (workshop_id, motorcycle_id, counter, on_date desc, id desc);
create index reading_event on reading (workshop_id, service_event_id);

create table instrument (
    workshop_id uuid not null,
    id uuid not null,
    motorcycle_id uuid not null,
    counter text not null,
    on_date date not null,
    kind text not null,
    old_final text,
    new_start text,
    capacity text,
    unit text not null,
    reason text not null,
    created_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index instrument_motorcycle on instrument (workshop_id, motorcycle_id, counter, on_date, id);

create table installed_part (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    component text not null,
    description text not null,
    part_number text,
    condition text not null,
    single_use boolean not null,
    date_code text,
    prior_distance text not null,
    prior_mm bigint not null,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id)
);

-- One stay of a part on a motorcycle. The distances follow from the readings, so they are not stored.
create table fitting (
    workshop_id uuid not null,
    id uuid not null,
    part_id uuid not null,
    motorcycle_id uuid not null,
    position text,
    fitted_on date not null,
    fitted_reading_id uuid,
    fitted_event_id uuid,
    removed_on date,
    removed_reading_id uuid,
    removed_event_id uuid,
    removed_entry uuid,
    removed_reason text,
    struck_at bigint,
    struck_reason text,
    primary key (workshop_id, id),
    foreign key (workshop_id, part_id) references installed_part (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, fitted_reading_id) references reading (workshop_id, id),
    foreign key (workshop_id, removed_reading_id) references reading (workshop_id, id),
    foreign key (workshop_id, fitted_event_id) references service_event (workshop_id, id),
    foreign key (workshop_id, removed_event_id) references service_event (workshop_id, id)
);
create index fitting_part on fitting (workshop_id, part_id, fitted_on, id);
create index fitting_motorcycle on fitting (workshop_id, motorcycle_id, fitted_on, id);
create index fitting_fitted_event on fitting (workshop_id, fitted_event_id);
create index fitting_removed_event on fitting (workshop_id, removed_event_id);

create table measured_value (
    workshop_id uuid not null,
    id uuid not null,
    motorcycle_id uuid not null,
    service_event_id uuid,
    reading_id uuid,
    part_id uuid,
    on_date date not null,
    component text not null,
    position text,
    quantity text not null,
    body text not null,
    struck_at bigint,
    struck_reason text,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id),
    foreign key (workshop_id, reading_id) references reading (workshop_id, id),
    foreign key (workshop_id, part_id) references installed_part (workshop_id, id)
);
create index measured_value_newest on measured_value (workshop_id, motorcycle_id, on_date desc, id desc);
create index measured_value_part on measured_value (workshop_id, part_id, on_date, id);
create index measured_value_event on measured_value (workshop_id, service_event_id);

create table follow_up (
    workshop_id uuid not null,
    id uuid not null,
    motorcycle_id uuid not null,
    service_event_id uuid not null,
    text text not null,
    component text,
    position text,
    due_in text,
    status text not null,
    reason text,
    done_in uuid,
    settled_on date,
    struck_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id),
    foreign key (workshop_id, done_in) references service_event (workshop_id, id)
);
create index follow_up_motorcycle on follow_up (workshop_id, motorcycle_id, id);
create index follow_up_event on follow_up (workshop_id, service_event_id);

create table interval_rule (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    name text not null,
    component text not null,
    motorcycle_id uuid,
    body text not null,
    deleted_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index interval_rule_motorcycle on interval_rule (workshop_id, motorcycle_id, id);

create table limit_range (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    component text not null,
    quantity text not null,
    motorcycle_id uuid,
    body text not null,
    deleted_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index limit_range_component on limit_range (workshop_id, component, quantity, motorcycle_id, id);
create index limit_range_motorcycle on limit_range (workshop_id, motorcycle_id, id);

create table fastener (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    key text not null,
    component text not null,
    motorcycle_id uuid,
    body text not null,
    deleted_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index fastener_key on fastener (workshop_id, key, motorcycle_id, id);
create index fastener_motorcycle on fastener (workshop_id, motorcycle_id, id);

create table component (
    workshop_id uuid not null references workshop (workshop_id),
    key text not null,
    name text not null,
    part boolean not null,
    created_at bigint not null,
    primary key (workshop_id, key)
);

-- What is due, worked out in the transaction of the write that changed it. sort_on is due_from, or a day beyond all others
-- where there is none, so that one index gives the list in its order.
create table due_item (
    workshop_id uuid not null,
    id uuid not null,
    motorcycle_id uuid not null,
    owner_id uuid,
    sort_on date not null,
    nearly_due_from date,
    due_from date,
    overdue_from date,
    no_history boolean not null,
    body text not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index due_item_soonest on due_item (workshop_id, sort_on, id);
create index due_item_motorcycle on due_item (workshop_id, motorcycle_id, sort_on, id);
create index due_item_owner on due_item (workshop_id, owner_id, sort_on, id);

create table attachment (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    motorcycle_id uuid,
    belongs_to_kind text not null,
    belongs_to uuid not null,
    name text not null,
    media_type text not null,
    size bigint not null,
    sha256 text not null,
    content bytea not null,
    deleted_at bigint,
    created_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index attachment_belongs_to on attachment (workshop_id, belongs_to, id);

create table webhook (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    body text not null,
    secret text not null,
    told_on date not null,
    deleted_at bigint,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id)
);

create table webhook_delivery (
    workshop_id uuid not null,
    id uuid not null,
    webhook_id uuid not null,
    kind text not null,
    payload text not null,
    status text not null,
    attempts bigint not null,
    next_try_at bigint,
    last_answer text,
    created_at bigint not null,
    updated_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, webhook_id) references webhook (workshop_id, id)
);
create index webhook_delivery_newest on webhook_delivery (workshop_id, webhook_id, id desc);
create index webhook_delivery_pending on webhook_delivery (status, next_try_at);

-- The first answer to an Idempotency-Key, stored in the transaction of what it protects.
create table idempotency_key (
    workshop_id uuid not null references workshop (workshop_id),
    key text not null,
    request_hash bytea not null,
    answer text not null,
    created_at bigint not null,
    primary key (workshop_id, key)
);
create index idempotency_key_age on idempotency_key (created_at);

-- Who did what: appended by every write, never changed.
create table audit (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    at bigint not null,
    who text not null,
    action text not null,
    subject_kind text not null,
    subject_id uuid,
    motorcycle_id uuid,
    old_value text,
    new_value text,
    primary key (workshop_id, id)
);
create index audit_motorcycle on audit (workshop_id, motorcycle_id, id desc);

-- The first schema. Keys begin with workshop_id everywhere: it is the tenant boundary, and the shard key on a distributed engine.
-- Instants are whole microseconds since 1970 (UTC), so that both engines order them alike. Nested values are JSON text, digits as entered.

create table workshop (
    workshop_id BLOB not null primary key,
    name TEXT not null,
    time_zone TEXT not null,
    default_unit TEXT not null,
    currency TEXT not null,
    default_yearly_distance TEXT not null,
    reports TEXT not null,
    created_at INTEGER not null,
    updated_at INTEGER not null
) strict;

-- A person may have roles in several workshops, so the account itself belongs to none.
create table person (
    person_id BLOB not null primary key,
    email TEXT not null unique,
    name TEXT not null,
    password_hash TEXT not null,
    created_at INTEGER not null
) strict;

create table membership (
    workshop_id BLOB not null references workshop (workshop_id),
    person_id BLOB not null references person (person_id),
    roles TEXT not null,
    created_at INTEGER not null,
    primary key (workshop_id, person_id)
) strict;
create index membership_person on membership (person_id);

create table session (
    token_hash BLOB not null primary key,
    person_id BLOB not null references person (person_id),
    workshop_id BLOB not null references workshop (workshop_id),
    created_at INTEGER not null,
    expires_at INTEGER not null
) strict;

create table api_token (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    name TEXT not null,
    scopes TEXT not null,
    expires_on TEXT,
    token_hash BLOB not null unique,
    created_by TEXT not null,
    last_used_at INTEGER,
    revoked_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id)
) strict;

create table owner (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    name TEXT not null,
    body TEXT not null,
    deleted_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id)
) strict;
create index owner_name on owner (workshop_id, name, id);

create table motorcycle (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    owner_id BLOB,
    name TEXT not null,
    registration TEXT,
    vin TEXT,
    words TEXT not null,
    odometer_unit TEXT not null,
    body TEXT not null,
    last_reading TEXT,
    archived_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, owner_id) references owner (workshop_id, id)
) strict;
create index motorcycle_name on motorcycle (workshop_id, name, id);
create index motorcycle_owner on motorcycle (workshop_id, owner_id, id);
create index motorcycle_vin on motorcycle (workshop_id, vin);

create table service_event (
    workshop_id BLOB not null,
    id BLOB not null,
    motorcycle_id BLOB not null,
    on_date TEXT not null,
    odometer TEXT,
    hours TEXT,
    unit TEXT not null,
    summary TEXT not null,
    performed_by TEXT,
    notes TEXT not null,
    body TEXT not null,
    signature TEXT,
    struck_at INTEGER,
    struck_reason TEXT,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index service_event_newest on service_event (workshop_id, motorcycle_id, on_date desc, id desc);

create table work_line (
    workshop_id BLOB not null,
    service_event_id BLOB not null,
    line INTEGER not null,
    motorcycle_id BLOB not null,
    component TEXT not null,
    position TEXT,
    operation TEXT not null,
    note TEXT not null,
    primary key (workshop_id, service_event_id, line),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id)
) strict;
create index work_line_motorcycle on work_line (workshop_id, motorcycle_id, component, operation);

create table amendment (
    workshop_id BLOB not null,
    id BLOB not null,
    service_event_id BLOB not null,
    on_date TEXT not null,
    written_by TEXT not null,
    text TEXT not null,
    created_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id)
) strict;
create index amendment_event on amendment (workshop_id, service_event_id, id);

-- Odometers and hour meters alike: a counter is a counter.
create table reading (
    workshop_id BLOB not null,
    id BLOB not null,
    motorcycle_id BLOB not null,
    counter TEXT not null,
    on_date TEXT not null,
    reading TEXT not null,
    unit TEXT not null,
    read_by TEXT,
    confirmed INTEGER not null,
    service_event_id BLOB,
    struck_at INTEGER,
    struck_reason TEXT,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id)
) strict;
create index reading_newest on reading (workshop_id, motorcycle_id, counter, on_date desc, id desc);
create index reading_event on reading (workshop_id, service_event_id);

create table instrument (
    workshop_id BLOB not null,
    id BLOB not null,
    motorcycle_id BLOB not null,
    counter TEXT not null,
    on_date TEXT not null,
    kind TEXT not null,
    old_final TEXT,
    new_start TEXT,
    capacity TEXT,
    unit TEXT not null,
    reason TEXT not null,
    created_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index instrument_motorcycle on instrument (workshop_id, motorcycle_id, counter, on_date, id);

create table installed_part (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    component TEXT not null,
    description TEXT not null,
    part_number TEXT,
    condition TEXT not null,
    single_use INTEGER not null,
    date_code TEXT,
    prior_distance TEXT not null,
    prior_mm INTEGER not null,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id)
) strict;

-- One stay of a part on a motorcycle. The distances follow from the readings, so they are not stored.
create table fitting (
    workshop_id BLOB not null,
    id BLOB not null,
    part_id BLOB not null,
    motorcycle_id BLOB not null,
    position TEXT,
    fitted_on TEXT not null,
    fitted_reading_id BLOB,
    fitted_event_id BLOB,
    removed_on TEXT,
    removed_reading_id BLOB,
    removed_event_id BLOB,
    removed_entry BLOB,
    removed_reason TEXT,
    struck_at INTEGER,
    struck_reason TEXT,
    primary key (workshop_id, id),
    foreign key (workshop_id, part_id) references installed_part (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, fitted_reading_id) references reading (workshop_id, id),
    foreign key (workshop_id, removed_reading_id) references reading (workshop_id, id),
    foreign key (workshop_id, fitted_event_id) references service_event (workshop_id, id),
    foreign key (workshop_id, removed_event_id) references service_event (workshop_id, id)
) strict;
create index fitting_part on fitting (workshop_id, part_id, fitted_on, id);
create index fitting_motorcycle on fitting (workshop_id, motorcycle_id, fitted_on, id);
create index fitting_fitted_event on fitting (workshop_id, fitted_event_id);
create index fitting_removed_event on fitting (workshop_id, removed_event_id);

create table measured_value (
    workshop_id BLOB not null,
    id BLOB not null,
    motorcycle_id BLOB not null,
    service_event_id BLOB,
    reading_id BLOB,
    part_id BLOB,
    on_date TEXT not null,
    component TEXT not null,
    position TEXT,
    quantity TEXT not null,
    body TEXT not null,
    struck_at INTEGER,
    struck_reason TEXT,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id),
    foreign key (workshop_id, reading_id) references reading (workshop_id, id),
    foreign key (workshop_id, part_id) references installed_part (workshop_id, id)
) strict;
create index measured_value_newest on measured_value (workshop_id, motorcycle_id, on_date desc, id desc);
create index measured_value_part on measured_value (workshop_id, part_id, on_date, id);
create index measured_value_event on measured_value (workshop_id, service_event_id);

create table follow_up (
    workshop_id BLOB not null,
    id BLOB not null,
    motorcycle_id BLOB not null,
    service_event_id BLOB not null,
    text TEXT not null,
    component TEXT,
    position TEXT,
    due_in TEXT,
    status TEXT not null,
    reason TEXT,
    done_in BLOB,
    settled_on TEXT,
    struck_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id),
    foreign key (workshop_id, service_event_id) references service_event (workshop_id, id),
    foreign key (workshop_id, done_in) references service_event (workshop_id, id)
) strict;
create index follow_up_motorcycle on follow_up (workshop_id, motorcycle_id, id);
create index follow_up_event on follow_up (workshop_id, service_event_id);

create table interval_rule (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    name TEXT not null,
    component TEXT not null,
    motorcycle_id BLOB,
    body TEXT not null,
    deleted_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index interval_rule_motorcycle on interval_rule (workshop_id, motorcycle_id, id);

create table limit_range (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    component TEXT not null,
    quantity TEXT not null,
    motorcycle_id BLOB,
    body TEXT not null,
    deleted_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index limit_range_component on limit_range (workshop_id, component, quantity, motorcycle_id, id);
create index limit_range_motorcycle on limit_range (workshop_id, motorcycle_id, id);

create table fastener (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    key TEXT not null,
    component TEXT not null,
    motorcycle_id BLOB,
    body TEXT not null,
    deleted_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index fastener_key on fastener (workshop_id, key, motorcycle_id, id);
create index fastener_motorcycle on fastener (workshop_id, motorcycle_id, id);

create table component (
    workshop_id BLOB not null references workshop (workshop_id),
    key TEXT not null,
    name TEXT not null,
    part INTEGER not null,
    created_at INTEGER not null,
    primary key (workshop_id, key)
) strict;

-- What is due, worked out in the transaction of the write that changed it. sort_on is due_from, or a day beyond all others
-- where there is none, so that one index gives the list in its order.
create table due_item (
    workshop_id BLOB not null,
    id BLOB not null,
    motorcycle_id BLOB not null,
    owner_id BLOB,
    sort_on TEXT not null,
    nearly_due_from TEXT,
    due_from TEXT,
    overdue_from TEXT,
    no_history INTEGER not null,
    body TEXT not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index due_item_soonest on due_item (workshop_id, sort_on, id);
create index due_item_motorcycle on due_item (workshop_id, motorcycle_id, sort_on, id);
create index due_item_owner on due_item (workshop_id, owner_id, sort_on, id);

create table attachment (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    motorcycle_id BLOB,
    belongs_to_kind TEXT not null,
    belongs_to BLOB not null,
    name TEXT not null,
    media_type TEXT not null,
    size INTEGER not null,
    sha256 TEXT not null,
    content BLOB not null,
    deleted_at INTEGER,
    created_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index attachment_belongs_to on attachment (workshop_id, belongs_to, id);

create table webhook (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    body TEXT not null,
    secret TEXT not null,
    told_on TEXT not null,
    deleted_at INTEGER,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id)
) strict;

create table webhook_delivery (
    workshop_id BLOB not null,
    id BLOB not null,
    webhook_id BLOB not null,
    kind TEXT not null,
    payload TEXT not null,
    status TEXT not null,
    attempts INTEGER not null,
    next_try_at INTEGER,
    last_answer TEXT,
    created_at INTEGER not null,
    updated_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, webhook_id) references webhook (workshop_id, id)
) strict;
create index webhook_delivery_newest on webhook_delivery (workshop_id, webhook_id, id desc);
create index webhook_delivery_pending on webhook_delivery (status, next_try_at);

-- The first answer to an Idempotency-Key, stored in the transaction of what it protects.
create table idempotency_key (
    workshop_id BLOB not null references workshop (workshop_id),
    key TEXT not null,
    request_hash BLOB not null,
    answer TEXT not null,
    created_at INTEGER not null,
    primary key (workshop_id, key)
) strict;
create index idempotency_key_age on idempotency_key (created_at);

-- Who did what: appended by every write, never changed.
create table audit (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    at INTEGER not null,
    who TEXT not null,
    action TEXT not null,
    subject_kind TEXT not null,
    subject_id BLOB,
    motorcycle_id BLOB,
    old_value TEXT,
    new_value TEXT,
    primary key (workshop_id, id)
) strict;
create index audit_motorcycle on audit (workshop_id, motorcycle_id, id desc);

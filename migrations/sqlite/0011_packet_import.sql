-- Motorcycles that came here with a history packet: whose packet it was, and which one, so that the same one changes nothing a second time.
create table packet_import (
    workshop_id BLOB not null references workshop (workshop_id),
    id BLOB not null,
    motorcycle_id BLOB not null,
    -- The motorcycle's id in the workshop that made the packet: text, for it is no id here.
    packet_motorcycle TEXT not null,
    packet_workshop TEXT not null,
    fingerprint TEXT not null,
    head TEXT not null,
    entries INTEGER not null,
    made_on TEXT not null,
    created_at INTEGER not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
) strict;
create index packet_import_motorcycle on packet_import (workshop_id, motorcycle_id, id);
create index packet_import_packet on packet_import (workshop_id, packet_motorcycle, id);

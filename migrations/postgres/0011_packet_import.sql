-- Motorcycles that came here with a history packet: whose packet it was, and which one, so that the same one changes nothing a second time.
create table packet_import (
    workshop_id uuid not null references workshop (workshop_id),
    id uuid not null,
    motorcycle_id uuid not null,
    -- The motorcycle's id in the workshop that made the packet: text, for it is no id here.
    packet_motorcycle text not null,
    packet_workshop text not null,
    fingerprint text not null,
    head text not null,
    entries bigint not null,
    made_on date not null,
    created_at bigint not null,
    primary key (workshop_id, id),
    foreign key (workshop_id, motorcycle_id) references motorcycle (workshop_id, id)
);
create index packet_import_motorcycle on packet_import (workshop_id, motorcycle_id, id);
create index packet_import_packet on packet_import (workshop_id, packet_motorcycle, id);

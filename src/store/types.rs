//! How the domain's types stand in a column, the same on both engines: ids as UUIDs, words and figures as text, nested values as JSON
//! text (digits as entered), instants as whole microseconds.
use serde::{Serialize, de::DeserializeOwned};
use sqlx::{Database, Decode, Encode, Type, encode::IsNull, error::BoxDynError};
use time::OffsetDateTime;
use uuid::Uuid;

use crate::domain::{
    attachment::{BelongsTo, MediaType},
    id::Id,
    letter::{LetterKind, LetterStatus},
    quantity::{Figure, Unit},
    search::FoundKind,
    webhook::{DeliveryStatus, MessageKind},
    words::{Condition, CounterKind, FollowUpStatus, InstrumentChange, Measurand, OdometerUnit, Operation, Position},
};

impl<DB: Database, T> Type<DB> for Id<T>
where
    Uuid: Type<DB>,
{
    fn type_info() -> DB::TypeInfo {
        Uuid::type_info()
    }
    fn compatible(ty: &DB::TypeInfo) -> bool {
        Uuid::compatible(ty)
    }
}
impl<'q, DB: Database, T> Encode<'q, DB> for Id<T>
where
    Uuid: Encode<'q, DB>,
{
    fn encode_by_ref(&self, buffer: &mut DB::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
        self.uuid().encode_by_ref(buffer)
    }
}
impl<'r, DB: Database, T> Decode<'r, DB> for Id<T>
where
    Uuid: Decode<'r, DB>,
{
    fn decode(value: DB::ValueRef<'r>) -> Result<Self, BoxDynError> {
        Uuid::decode(value).map(Self::new)
    }
}

/// A type that stands in a text column by its `Display` and comes back by its parser.
macro_rules! as_text {
    ($($name:ty => $parse:path),+ $(,)?) => {$(
        impl<DB: Database> Type<DB> for $name where String: Type<DB> {
            fn type_info() -> DB::TypeInfo {
                <String as Type<DB>>::type_info()
            }
            fn compatible(ty: &DB::TypeInfo) -> bool {
                <String as Type<DB>>::compatible(ty)
            }
        }
        impl<'q, DB: Database> Encode<'q, DB> for $name where String: Encode<'q, DB> {
            fn encode_by_ref(&self, buffer: &mut DB::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
                self.to_string().encode(buffer)
            }
        }
        impl<'r, DB: Database> Decode<'r, DB> for $name where String: Decode<'r, DB> {
            fn decode(value: DB::ValueRef<'r>) -> Result<Self, BoxDynError> {
                $parse(&String::decode(value)?).map_err(Into::into)
            }
        }
    )+};
}
as_text! {
    Figure => Figure::parse,
    Unit => str::parse,
    Operation => str::parse,
    Position => str::parse,
    OdometerUnit => str::parse,
    Measurand => str::parse,
    Condition => str::parse,
    CounterKind => str::parse,
    InstrumentChange => str::parse,
    FollowUpStatus => str::parse,
    BelongsTo => str::parse,
    MediaType => str::parse,
    FoundKind => str::parse,
    DeliveryStatus => str::parse,
    MessageKind => str::parse,
    LetterKind => str::parse,
    LetterStatus => str::parse,
}

/// A nested value as JSON text.
#[derive(Clone, Debug, PartialEq)]
pub struct Json<T>(pub T);

impl<DB: Database, T> Type<DB> for Json<T>
where
    String: Type<DB>,
{
    fn type_info() -> DB::TypeInfo {
        String::type_info()
    }
    fn compatible(ty: &DB::TypeInfo) -> bool {
        String::compatible(ty)
    }
}
impl<'q, DB: Database, T: Serialize> Encode<'q, DB> for Json<T>
where
    String: Encode<'q, DB>,
{
    fn encode_by_ref(&self, buffer: &mut DB::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
        serde_json::to_string(&self.0)?.encode(buffer)
    }
}
impl<'r, DB: Database, T: DeserializeOwned> Decode<'r, DB> for Json<T>
where
    String: Decode<'r, DB>,
{
    fn decode(value: DB::ValueRef<'r>) -> Result<Self, BoxDynError> {
        Ok(Self(serde_json::from_str(&String::decode(value)?)?))
    }
}

/// An instant as whole microseconds since 1970, so that both engines order instants alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Instant(pub OffsetDateTime);

impl<DB: Database> Type<DB> for Instant
where
    i64: Type<DB>,
{
    fn type_info() -> DB::TypeInfo {
        i64::type_info()
    }
    fn compatible(ty: &DB::TypeInfo) -> bool {
        i64::compatible(ty)
    }
}
impl<'q, DB: Database> Encode<'q, DB> for Instant
where
    i64: Encode<'q, DB>,
{
    fn encode_by_ref(&self, buffer: &mut DB::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
        i64::try_from(self.0.unix_timestamp_nanos() / 1000)?.encode(buffer)
    }
}
impl<'r, DB: Database> Decode<'r, DB> for Instant
where
    i64: Decode<'r, DB>,
{
    fn decode(value: DB::ValueRef<'r>) -> Result<Self, BoxDynError> {
        Ok(Self(OffsetDateTime::from_unix_timestamp_nanos(i128::from(i64::decode(value)?) * 1000)?))
    }
}

/// A `like … escape '!'` pattern for text that contains the words, without regard to case.
#[must_use]
pub fn containing(words: &str) -> String {
    let mut pattern = String::from("%");
    for letter in words.to_lowercase().chars() {
        if matches!(letter, '%' | '_' | '!') {
            pattern.push('!');
        }
        pattern.push(letter);
    }
    pattern.push('%');
    pattern
}

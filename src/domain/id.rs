//! Typed identifiers: an [`Id<Motorcycle>`](Id) cannot be passed where an `Id<Owner>` is meant.
use std::{fmt, marker::PhantomData, str::FromStr};

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use utoipa::openapi::{KnownFormat, ObjectBuilder, RefOr, SchemaFormat, Type, schema::Schema};
use uuid::Uuid;

/// The UUIDv7 (RFC 9562) of one `T`. `T` is only a tag; nothing of it is stored.
pub struct Id<T>(Uuid, PhantomData<fn() -> T>);

impl<T> Id<T> {
    /// Wraps a UUID that is known to belong to a `T`.
    #[must_use]
    pub const fn new(uuid: Uuid) -> Self {
        Self(uuid, PhantomData)
    }
    /// The bare UUID, for the store and for answers.
    #[must_use]
    pub const fn uuid(self) -> Uuid {
        self.0
    }
}

// Written out because `derive` would ask the same of `T`, which is only a tag.
impl<T> Clone for Id<T> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<T> Copy for Id<T> {}
impl<T> PartialEq for Id<T> {
    fn eq(&self, other: &Self) -> bool {
        self.0 == other.0
    }
}
impl<T> Eq for Id<T> {}
impl<T> PartialOrd for Id<T> {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl<T> Ord for Id<T> {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.cmp(&other.0)
    }
}
impl<T> std::hash::Hash for Id<T> {
    fn hash<H: std::hash::Hasher>(&self, state: &mut H) {
        self.0.hash(state);
    }
}
impl<T> fmt::Debug for Id<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}
impl<T> fmt::Display for Id<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}
impl<T> FromStr for Id<T> {
    type Err = uuid::Error;
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        text.parse().map(Self::new)
    }
}
impl<T> Serialize for Id<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}
impl<'de, T> Deserialize<'de> for Id<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Uuid::deserialize(deserializer).map(Self::new)
    }
}
// `ComposeSchema` is what the derive asks of a generic field type; there is no public way to say the same.
impl<T> utoipa::__dev::ComposeSchema for Id<T> {
    fn compose(_: Vec<RefOr<Schema>>) -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::Uuid)))
            .description(Some("A UUIDv7 (RFC 9562)"))
            .examples(["01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"])
            .into()
    }
}
impl<T> utoipa::ToSchema for Id<T> {
    fn name() -> std::borrow::Cow<'static, str> {
        "Id".into()
    }
}

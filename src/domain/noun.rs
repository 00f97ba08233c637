//! A resource as it is sent in and as it comes back, from one list of fields.

/// `noun! { pub struct Limit, sent as NewLimit { fields } and also { more fields } }` makes both structs: `NewLimit`
/// with the fields, refusing unknown ones, and `Limit` with `id`, the same fields, what the server adds, and `created_at`.
macro_rules! noun {
    (
        $(#[$doc:meta])* pub struct $whole:ident, sent as $(#[$new_doc:meta])* $new:ident {
            $($(#[$attr:meta])* pub $field:ident: $type:ty,)+
        } and also {
            $($(#[$more_attr:meta])* pub $more:ident: $more_type:ty,)*
        }
    ) => {
        #[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
        $(#[$new_doc])*
        #[serde(deny_unknown_fields)]
        pub struct $new { $($(#[$attr])* pub $field: $type,)+ }

        #[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
        $(#[$doc])*
        pub struct $whole {
            /// Its id, a UUIDv7 (RFC 9562).
            pub id: $crate::domain::id::Id<$whole>,
            $($(#[$attr])* pub $field: $type,)+
            $($(#[$more_attr])* pub $more: $more_type,)*
            /// When it was entered, RFC 3339 in UTC.
            #[serde(with = "time::serde::rfc3339")]
            pub created_at: time::OffsetDateTime,
        }
        impl $whole {
            /// What was sent in, to show it in a form or to merge a patch into it.
            #[must_use]
            pub fn details(&self) -> $new {
                $new { $($field: self.$field.clone(),)+ }
            }
            /// The resource that comes of what was sent in.
            #[must_use]
            #[allow(clippy::too_many_arguments, reason = "as many as the server adds fields")]
            pub fn from_new(id: $crate::domain::id::Id<Self>, new: $new, $($more: $more_type,)* created_at: time::OffsetDateTime) -> Self {
                Self { id, $($field: new.$field,)+ $($more,)* created_at }
            }
        }
    };
}
pub(crate) use noun;

//! Values that are written as a text, or left blank.

/// Reads and writes a value as the text that `FromStr` and `Display` know, and tells the published description its pattern.
macro_rules! written_as_text {
    ($name:ident, $pattern:literal, $description:literal) => {
        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.collect_str(self)
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                <std::borrow::Cow<'de, str>>::deserialize(d)?.parse().map_err(serde::de::Error::custom)
            }
        }

        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .pattern(Some($pattern))
                    .description(Some($description))
                    .into()
            }
        }

        impl utoipa::ToSchema for $name {
            fn name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
        }
    };
}

pub(crate) use written_as_text;

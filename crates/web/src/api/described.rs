//! What the description says of every operation alike, and the attributes of handlers cannot.

use utoipa::openapi::{
    Content, KnownFormat, ObjectBuilder, OpenApi, RefOr, Required, Schema, SchemaFormat,
    path::{Operation, Parameter},
    schema::{Components, Type},
};

/// Content types whose bodies are bytes.
const BINARY: [&str; 2] = ["application/pdf", "application/senml+cbor"];

/// Describes bodies of bytes as binary strings, and the `Idempotency-Key` as required wherever a request creates and
/// its body carries no id in its place.
pub(super) fn describe(api: &mut OpenApi) {
    let components = api.components.clone().unwrap_or_default();
    for item in api.paths.paths.values_mut() {
        let operations = [&mut item.get, &mut item.put, &mut item.post, &mut item.patch, &mut item.delete];
        for operation in operations.into_iter().flatten() {
            bytes_are_binary(operation);
            describe_key(operation, &components);
        }
    }
}

fn bytes_are_binary(operation: &mut Operation) {
    let binary = |content: &mut RefOr<Content>| {
        if let RefOr::T(content) = content {
            let format = SchemaFormat::KnownFormat(KnownFormat::Binary);
            let schema = ObjectBuilder::new().schema_type(Type::String).format(Some(format)).build();
            content.schema = Some(schema.into());
        }
    };
    for name in BINARY {
        if let Some(RefOr::T(body)) = &mut operation.request_body {
            body.content.get_mut(name).map(binary);
        }
        for response in operation.responses.responses.values_mut() {
            if let RefOr::T(response) = response {
                response.content.get_mut(name).map(binary);
            }
        }
    }
}

/// Whether an operation takes its body by the extractor [`IdempotentJson`](crate::extract::IdempotentJson), which is what demands a key. Those answer 201.
fn creates(operation: &Operation) -> bool {
    operation.responses.responses.contains_key("201")
}

fn describe_key(operation: &mut Operation, components: &Components) {
    let creates = creates(operation);
    let has_id = body_schema(operation).is_some_and(|name| match components.schemas.get(name) {
        Some(RefOr::T(Schema::Object(body))) => body.properties.contains_key("id"),
        _ => false,
    });
    for parameter in operation.parameters.iter_mut().flatten() {
        let RefOr::T(parameter) = parameter else { continue };
        if parameter.name == "Idempotency-Key" {
            parameter.schema = Some(key_schema());
            // What takes a key and creates nothing says by itself when it is needed.
            if creates {
                require_key(parameter, has_id);
            }
        }
    }
}

fn key_schema() -> RefOr<Schema> {
    ObjectBuilder::new().schema_type(Type::String).min_length(Some(1)).max_length(Some(150)).build().into()
}

fn require_key(key: &mut Parameter, has_id: bool) {
    key.required = if has_id { Required::False } else { Required::True };
    let text = if has_id {
        "A new UUID for a new request. The body's `id` does as well; one of the two is needed."
    } else {
        "A new UUID for a new request, the same again when it is sent again."
    };
    key.description = Some(text.into());
}

/// The name of the schema of an operation's JSON body.
fn body_schema(operation: &Operation) -> Option<&str> {
    let RefOr::T(body) = operation.request_body.as_ref()? else { return None };
    let RefOr::T(content) = body.content.get("application/json")? else { return None };
    match content.schema.as_ref()? {
        RefOr::Ref(r) => r.ref_location.rsplit('/').next(),
        RefOr::T(_) => None,
    }
}

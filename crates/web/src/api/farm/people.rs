//! Sign-in, people, tokens.

use axum::{
    Json,
    extract::{DefaultBodyLimit, State},
    http::{HeaderMap, StatusCode, header},
    response::IntoResponse,
};
use gillbook_core::{SignedWith, limits::MAX_SIGN_IN_BYTES};
use gillbook_store::farm::{
    people::{NewPerson, Passphrase, Person, SignInName},
    sessions::Principal,
    tokens::{NewToken, Token},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, PersonPath, TokenPath},
    auth::{Authenticated, Lasting, cookie, secret},
    create_tx,
    extract::{IdempotentJson, JsonBody, PathParam},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
    sign_in::{Origin, sign_in},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .merge(
            OpenApiRouter::new()
                .routes(routes!(post_sign_in, delete_sign_in))
                .layer(DefaultBodyLimit::max(MAX_SIGN_IN_BYTES)),
        )
        .routes(routes!(get_me))
        .routes(routes!(get_people, post_people))
        .routes(routes!(delete_person))
        .routes(routes!(get_tokens, post_tokens))
        .routes(routes!(delete_token))
}

/// A name and a passphrase.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[expect(clippy::struct_field_names, reason = "the names of the JSON")]
struct SignIn {
    /// The name.
    sign_in_name: SignInName,
    /// The passphrase.
    passphrase: Passphrase,
    /// Whether the phone is one that several people use. Initials tell there who did a thing, and nothing is authorised on it: no hold
    /// is released, no spell is countersigned and no lot of an unsettled warm spell sent out.
    #[serde(default)]
    shared_phone: bool,
}

/// Who is signed in.
#[derive(Debug, Serialize, ToSchema)]
struct Me {
    /// The farm's number.
    farm_id: i32,
    /// Name.
    name: String,
    /// Initials, or the token's name.
    initials: String,
    /// Role, or `reader` or `probe` for a token.
    role: String,
    /// Whether it is a phone that several people use.
    shared_phone: bool,
}

/// A token, with its secret.
#[derive(Debug, Serialize, ToSchema)]
struct MadeToken {
    /// The token.
    #[serde(flatten)]
    token: Token,
    /// Its secret, shown this once.
    secret: String,
}

/// Signs a person in.
#[utoipa::path(
    post, path = "/api/sign-in", tag = "people",
    request_body = SignIn,
    security(()),
    responses((status = 204, description = "Signed in; the cookie holds it"), Problems),
)]
async fn post_sign_in(
    State(app): State<App>,
    origin: Origin,
    JsonBody(body): JsonBody<SignIn>,
) -> Result<impl IntoResponse, Problem> {
    let cookies = sign_in(&app, &origin, &body.sign_in_name, body.passphrase, body.shared_phone).await?;
    Ok((StatusCode::NO_CONTENT, cookies))
}

/// Signs out.
#[utoipa::path(
    delete, path = "/api/sign-in", tag = "people",
    security(()),
    responses((status = 204, description = "Signed out"), Problems),
)]
async fn delete_sign_in(State(app): State<App>, headers: HeaderMap) -> Result<impl IntoResponse, Problem> {
    if let Some(secret) = secret(&headers) {
        app.store.sign_out(&secret, app.now()).await?;
    }
    Ok((StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie(&app, Lasting::Session, ""))]))
}

/// Who is signed in.
#[utoipa::path(
    get, path = "/api/me", tag = "people",
    responses((status = 200, description = "Who is signed in", body = Me), Problems),
)]
async fn get_me(who: Authenticated) -> Json<Me> {
    Json(Me {
        farm_id: who.actor.farm.0,
        name: who.name.clone(),
        initials: who.actor.name.clone(),
        role: match who.standing {
            Principal::Person(role) => role.to_string(),
            Principal::Reader => "reader".into(),
            Principal::Probe(_) => "probe".into(),
            Principal::Calendar => "calendar".into(),
            Principal::Customer => "customer".into(),
        },
        shared_phone: who.actor.with == SignedWith::SharedPhone,
    })
}

/// People of the farm.
#[utoipa::path(
    get, path = "/api/people", tag = "people",
    responses((status = 200, description = "Everybody", body = ListResponse<Person>), Problems),
)]
async fn get_people(State(app): State<App>, who: Authenticated) -> Result<ListResponse<Person>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.people().await)?))
}

/// Adds a person.
#[utoipa::path(
    post, path = "/api/people", tag = "people",
    request_body = NewPerson,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Person), Problems),
)]
async fn post_people(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewPerson>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_person(&new.value).await)?))
}

/// Removes a person.
#[utoipa::path(
    delete, path = "/api/people/{person}", tag = "people",
    params(PersonPath),
    responses((status = 204, description = "Removed"), Problems),
)]
async fn delete_person(
    State(app): State<App>,
    who: Authenticated,
    PathParam(person): PathParam<Uuid>,
) -> Result<StatusCode, Problem> {
    write_tx!(app, who, |tx| tx.remove_person(person).await)?;
    Ok(StatusCode::NO_CONTENT)
}

/// Tokens of the farm.
#[utoipa::path(
    get, path = "/api/tokens", tag = "people",
    responses((status = 200, description = "Tokens, without their secrets", body = ListResponse<Token>), Problems),
)]
async fn get_tokens(State(app): State<App>, who: Authenticated) -> Result<ListResponse<Token>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.tokens().await)?))
}

/// Makes a token. Its secret is shown this once; the same request again is refused and never shows it.
#[utoipa::path(
    post, path = "/api/tokens", tag = "people",
    request_body = NewToken,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Made", body = MadeToken), Problems),
)]
async fn post_tokens(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewToken>,
) -> Result<(StatusCode, Json<MadeToken>), Problem> {
    let (token, secret) = write_tx!(app, who, |tx| {
        // The key is reserved and its answer never kept, so that the secret is not stored.
        tx.reserve_key(&new.once).await?;
        tx.make_token(&new.value).await
    })?;
    Ok((StatusCode::CREATED, Json(MadeToken { token, secret })))
}

/// Takes a token back.
#[utoipa::path(
    delete, path = "/api/tokens/{token}", tag = "people",
    params(TokenPath),
    responses((status = 204, description = "Taken back"), Problems),
)]
async fn delete_token(
    State(app): State<App>,
    who: Authenticated,
    PathParam(token): PathParam<Uuid>,
) -> Result<StatusCode, Problem> {
    write_tx!(app, who, |tx| tx.remove_token(token).await)?;
    app.store.invalidate_token_cache();
    Ok(StatusCode::NO_CONTENT)
}

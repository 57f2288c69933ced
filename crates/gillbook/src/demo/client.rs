//! A client of the public interface.

use std::net::SocketAddr;

use anyhow::{Context, Result, bail};
use reqwest::{Method, header};
use serde_json::{Value, json};
use uuid::Uuid;

/// Talks to the interface as one signed-in person or token.
#[derive(Debug, Clone)]
pub(super) struct Client {
    http: reqwest::Client,
    base: String,
    cookie: String,
    bearer: Option<String>,
}

impl Client {
    pub(super) fn new(address: SocketAddr) -> Result<Self> {
        let http = reqwest::Client::builder().no_proxy().build()?;
        Ok(Self { http, base: format!("http://{address}"), cookie: String::new(), bearer: None })
    }

    /// The same interface, as a token.
    pub(super) fn with_token(&self, token: &str) -> Self {
        Self { bearer: Some(token.to_owned()), cookie: String::new(), ..self.clone() }
    }

    pub(super) async fn sign_in(&mut self, name: &str, passphrase: &str) -> Result<()> {
        let response = self
            .http
            .post(format!("{}/api/sign-in", self.base))
            .json(&json!({"sign_in_name": name, "passphrase": passphrase}))
            .send()
            .await?
            .error_for_status()?;
        let cookie = response.headers().get(header::SET_COOKIE).context("no cookie came")?.to_str()?;
        cookie.split(';').next().unwrap_or_default().clone_into(&mut self.cookie);
        Ok(())
    }

    async fn send(
        &self,
        method: Method,
        path: &str,
        body: Option<&Value>,
        key: Option<Uuid>,
        etag: Option<i64>,
    ) -> Result<(u16, Value)> {
        let mut request = self.http.request(method, format!("{}{path}", self.base));
        request = match &self.bearer {
            Some(token) => request.bearer_auth(token),
            None => request.header(header::COOKIE, &self.cookie),
        };
        if let Some(body) = body {
            request = request.json(body);
        }
        if let Some(key) = key {
            request = request.header("Idempotency-Key", key.to_string());
        }
        if let Some(version) = etag {
            request = request.header(header::IF_MATCH, format!("\"{version}\""));
        }
        let response = request.send().await?;
        let status = response.status().as_u16();
        let text = response.text().await?;
        Ok((status, if text.is_empty() { Value::Null } else { serde_json::from_str(&text)? }))
    }

    async fn expect(
        &self,
        method: Method,
        path: &str,
        body: Option<&Value>,
        key: Option<Uuid>,
        etag: Option<i64>,
    ) -> Result<Value> {
        let (status, value) = self.send(method.clone(), path, body, key, etag).await?;
        if !(200..300).contains(&status) {
            bail!(
                "{method} {path} was answered {status}: {value}\n(sent {})",
                body.map(ToString::to_string).unwrap_or_default()
            );
        }
        Ok(value)
    }

    pub(super) async fn get(&self, path: &str) -> Result<Value> {
        self.expect(Method::GET, path, None, None, None).await
    }

    pub(super) async fn post(&self, path: &str, key: Uuid, body: Value) -> Result<Value> {
        self.expect(Method::POST, path, Some(&body), Some(key), None).await
    }

    pub(super) async fn post_unkeyed(&self, path: &str, body: Value) -> Result<Value> {
        self.expect(Method::POST, path, Some(&body), None, None).await
    }

    pub(super) async fn put(&self, path: &str, body: Value) -> Result<Value> {
        self.expect(Method::PUT, path, Some(&body), None, None).await
    }

    pub(super) async fn patch(&self, path: &str, version: i64, body: Value) -> Result<Value> {
        self.expect(Method::PATCH, path, Some(&body), None, Some(version)).await
    }
}

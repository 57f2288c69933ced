//! The scale form when the network or the service is not what it should be: nothing is counted twice and nothing is lost.

mod keys;
mod offline;
mod sending;

use super::{farm_today, sign_in};
use anyhow::{Context, Result, ensure};
use axum::{
    Router,
    body::Body,
    extract::Request,
    http::{Method, Response},
};
use fantoccini::Locator;
use gillbook_testkit::Farm;
use gillbook_tests::{Phone, serve};
use serde_json::Value;
use std::sync::{Arc, Mutex};
use tower::ServiceExt;

/// What becomes of an entry of a form on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// It arrives and is answered.
    Good,
    /// It arrives, and the answer is lost.
    AnswerLost,
    /// It never arrives.
    Lost,
    /// It never arrives and nothing says so.
    Hangs,
}

/// The line between a phone and the service, which a test can cut.
#[derive(Debug, Clone)]
pub struct Network {
    way: Arc<Mutex<Way>>,
    sent: Arc<Mutex<Vec<Value>>>,
}

impl Network {
    pub fn new() -> Self {
        Self { way: Arc::new(Mutex::new(Way::Good)), sent: Arc::default() }
    }

    pub fn set(&self, way: Way) {
        *self.way.lock().expect("no test panics with it") = way;
    }

    /// The ids of the weighings that were sent, in their order.
    fn ids(&self) -> Vec<String> {
        self.sent.lock().expect("no test panics with it").iter().map(|w| w["id"].to_string()).collect()
    }

    /// How many entries were sent, whatever became of them.
    pub fn sendings(&self) -> usize {
        self.sent.lock().expect("no test panics with it").len()
    }

    /// What the scale showed in the weighings that were sent, in their order.
    fn gross(&self) -> Vec<i64> {
        self.sent.lock().expect("no test panics with it").iter().filter_map(|w| w["gross_g"].as_i64()).collect()
    }

    /// The service, asked over this line.
    pub fn before(&self, service: Router) -> Router {
        let network = self.clone();
        Router::new().fallback(move |request: Request| {
            let (network, service) = (network.clone(), service.clone());
            async move { network.carry(service, request).await }
        })
    }

    async fn carry(&self, service: Router, request: Request) -> Response<Body> {
        let path = request.uri().path();
        let of_form = ["/packed", "/delivery"].iter().any(|end| path.ends_with(end));
        let is_entry = of_form || path.starts_with("/api/weighings") || path.starts_with("/api/market-days/");
        if request.method() != Method::POST || !is_entry {
            return service.oneshot(request).await.expect("a router answers");
        }
        let (parts, body) = request.into_parts();
        let bytes = axum::body::to_bytes(body, 1 << 20).await.expect("a short body");
        self.sent.lock().expect("no test panics with it").push(serde_json::from_slice(&bytes).unwrap_or_default());
        let way = *self.way.lock().expect("no test panics with it");
        match way {
            Way::Good | Way::AnswerLost => {
                let answer = service.oneshot(Request::from_parts(parts, Body::from(bytes))).await.expect("an answer");
                // The connection ends in the middle of the answer.
                if way == Way::AnswerLost { answer.map(|_| cut_off()) } else { answer }
            }
            Way::Lost => Response::new(cut_off()),
            Way::Hangs => std::future::pending().await,
        }
    }
}

fn cut_off() -> Body {
    Body::from_stream(futures::stream::iter([Ok("{"), Err(std::io::Error::other("the line is cut"))]))
}

/// A farm, a phone at its scale form, and the line between.
async fn at_the_scale() -> Result<(Farm, Phone, Network, String)> {
    let farm = farm_today().await?;
    let network = Network::new();
    let home = format!("http://{}", serve(network.before(farm.router.clone())).await?);
    let phone = Phone::open().await?;
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/weigh")).await?;
    phone.page.wait().for_element(Locator::Css("#scale:not([hidden])")).await?;
    Ok((farm, phone, network, home))
}

async fn nets(farm: &Farm) -> Vec<i64> {
    let kept = farm.get("/api/weighings").await;
    kept["rows"].as_array().into_iter().flatten().filter_map(|w| w["net_g"].as_i64()).collect()
}

async fn said(phone: &Phone, words: &str) -> Result<()> {
    let there = format!("//p[@id='said' and contains(., \"{words}\")]");
    phone.page.wait().for_element(Locator::XPath(&there)).await.with_context(|| words.to_owned())?;
    Ok(())
}

/// How often the ledger is looked at for what is on its way: each look takes some milliseconds.
const MAX_LOOKS: usize = 5000;

/// Today, where somebody has just signed in, has sent what waits on the phone: `count` weighings are in the ledger and answered. It is not left
/// before, as one that is on its way then is sent again, or shown by no page that was made meanwhile.
async fn sent_by_today(farm: &Farm, phone: &Phone, count: usize) -> Result<()> {
    let mut looks = 0;
    while nets(farm).await.len() < count {
        looks += 1;
        ensure!(looks < MAX_LOOKS, "Today sends nothing");
    }
    phone.page.wait().for_element(Locator::Css("#waiting[hidden]")).await?;
    Ok(())
}

/// The form is ready for the next weighing and nothing waits.
async fn all_saved(phone: &Phone) -> Result<()> {
    phone.page.wait().for_element(Locator::Css("#scale:not([hidden])")).await?;
    phone.page.wait().for_element(Locator::Css("#held[hidden]")).await?;
    phone.page.wait().for_element(Locator::Css("#last li")).await?;
    Ok(())
}

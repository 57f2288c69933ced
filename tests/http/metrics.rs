//! Figures for whoever runs the service, read by a parser that is not ours.

use std::sync::Arc;

use anyhow::{Context, Result, ensure};
use axum::{Router, body::Body, extract::Request};
use gillbook_testkit::{As, Farm};
use gillbook_tests::python;
use gillbook_web::{App, MetricsSecret, Settings, router};
use serde_json::{Value, json};
use tower::ServiceExt;

const SECRET: &str = "an-operators-own-of-no-farm-at-all-1";

fn service(farm: &Farm, secret: Option<MetricsSecret>) -> Router {
    let now = farm.now();
    let settings = Settings { metrics_secret: secret, ..Settings::default() };
    router(App::new(farm.store.clone(), Arc::new(move || now), settings))
}

async fn ask(service: &Router, request: Request) -> Result<(u16, String)> {
    let response = service.clone().oneshot(request).await?;
    let status = response.status().as_u16();
    let body = axum::body::to_bytes(response.into_body(), 1 << 20).await?;
    Ok((status, String::from_utf8(body.to_vec())?))
}

fn get(path: &str, secret: &str) -> Result<Request> {
    Ok(Request::get(path).header("authorization", format!("Bearer {secret}")).body(Body::empty())?)
}

/// The value of a sample, by its name and a label.
fn value(samples: &[Value], name: &str, label: (&str, &str)) -> Option<f64> {
    let found = samples.iter().find(|s| s[0] == name && (label.0.is_empty() || s[1][label.0] == label.1));
    found.and_then(|s| s[2].as_f64())
}

#[tokio::test]
async fn the_operator_sees_how_the_service_fares_and_nothing_of_a_farm() -> Result<()> {
    let farm = Farm::new().await?;
    let service = service(&farm, Some(SECRET.parse().map_err(anyhow::Error::msg)?));
    let As::Cookie(owner) = farm.owner.clone() else { anyhow::bail!("a cookie") };
    for (path, status) in [("/api/stock", 200), ("/api/lots/NONE", 404), ("/api/lots/OTHER", 404), ("/nowhere", 404)] {
        let request = Request::get(path).header("cookie", &owner).body(Body::empty())?;
        assert_eq!(ask(&service, request).await?.0, status, "{path}");
    }
    let reading = json!([{"n": "p1", "u": "Cel", "t": farm.now().timestamp() - 90, "v": 3.0}, {"n": "p1", "u": "Cel", "t": farm.now().timestamp() - 30, "v": 3.0}]);
    let post = Request::post("/api/readings")
        .header("cookie", &owner)
        .header("content-type", "application/senml+json")
        .body(Body::from(reading.to_string()))?;
    let (status, text) = ask(&service, post).await?;
    ensure!(status == 200, "{status} {text}");

    for n in 0..50 {
        let made_up = Request::builder().method(format!("MADE{n}").as_str()).uri("/api/stock").body(Body::empty())?;
        ask(&service, made_up).await?;
    }
    let (status, text) = ask(&service, get("/metrics", SECRET)?).await?;
    ensure!(status == 200 && !text.contains("MADE"), "{status} {text}");
    let parsed = python("metrics.py", &text)?;
    ensure!(parsed.status.success(), "{}\n{text}", String::from_utf8_lossy(&parsed.stderr));
    let samples: Vec<Value> = serde_json::from_slice(&parsed.stdout)?;
    // A route has one sample a method and status, in no order.
    let is_read = |s: &&Value, route: &str| {
        s[0] == "gillbook_http_requests_total" && s[1]["route"] == route && s[1]["method"] == "GET"
    };
    let requests = |route: &str| samples.iter().find(|s| is_read(s, route)).and_then(|s| s[2].as_f64());
    let with =
        |method: &str| samples.iter().find(|s| s[0] == "gillbook_http_requests_total" && s[1]["method"] == method);
    let made_up = with("other").and_then(|s| s[2].as_f64());
    assert!(made_up.is_some_and(|n| (n - 50.0).abs() < 0.5), "methods that are made up are one: {made_up:?}");
    assert_eq!(requests("/api/stock"), Some(1.0));
    // By the pattern of the route and not by address: a farm's lots are not told.
    assert_eq!(requests("/api/lots/{lot}"), Some(2.0));
    assert_eq!(requests("none"), Some(1.0));
    // Whole numbers, and so exact.
    let plain = |name: &str| value(&samples, name, ("", "")).with_context(|| format!("no {name}: {text}"));
    let records = (plain("gillbook_commit_records_count")?, plain("gillbook_commit_records_sum")?);
    assert!(records == (1.0, 2.0), "{records:?}");
    assert!(plain("gillbook_commit_duration_seconds_sum")? > 0.0);
    let queue = |name: &str| value(&samples, "gillbook_queue_length", ("queue", name));
    assert_eq!((queue("posts"), queue("large_posts"), queue("notices")), (Some(0.0), Some(0.0), Some(0.0)));
    assert_eq!(queue("dirty_places"), Some(1.0), "nobody has looked at the fridge since the reading");
    assert!(plain("gillbook_evaluation_lag_seconds")? > 0.0, "{text}");
    assert!(plain("gillbook_outbox_age_seconds")? < 0.5, "nothing waits to be sent");
    let connections =
        |state: &str| value(&samples, "gillbook_database_connections", ("state", state)).unwrap_or_default();
    assert!(connections("idle") + connections("in_use") >= 1.0 && connections("max") >= 4.0, "{text}");
    let name = farm.get("/api/farm").await["name"].as_str().context("a name")?.to_owned();
    assert!(!text.contains(&name) && !text.contains("NONE") && !text.contains("p1\""), "{text}");
    Ok(())
}

#[tokio::test]
async fn the_figures_take_the_operators_secret() -> Result<()> {
    let farm = Farm::new().await?;
    let closed = service(&farm, None);
    assert_eq!(ask(&closed, get("/metrics", SECRET)?).await?.0, 404, "no secret is set");
    let open = service(&farm, Some(SECRET.parse().map_err(anyhow::Error::msg)?));
    let As::Cookie(owner) = farm.owner.clone() else { anyhow::bail!("a cookie") };
    let as_owner = Request::get("/metrics").header("cookie", &owner).body(Body::empty())?;
    for request in [get("/metrics", "another-one-which-is-long-enough-too")?, get("/metrics", "")?, as_owner] {
        let (status, text) = ask(&open, request).await?;
        assert_eq!(status, 401, "{text}");
        assert!(text.contains("operator's secret"), "{text}");
    }
    Ok(())
}

//! Pages for everybody: held against WCAG 2.2 AA by axe-core 4.12 (of package axe-playwright-python 0.1.8), an independent checker, and walked
//! by keyboard alone.

use anyhow::{Context, Result, ensure};
use fantoccini::{
    actions::{InputSource, KeyAction, KeyActions},
    key::Key,
};
use gillbook_tests::{Phone, python_tool};
use reqwest::Url;
use serde_json::json;

use crate::{pages::phone_at_work, sign_in};

/// What a reader's own colours are set to.
const COLOURS: [(&str, &str); 2] = [("prefers-color-scheme", "dark"), ("forced-colors", "active")];

/// A window of 1280 pixels at 200 % and at 400 %: the widths of WCAG 2.2, 1.4.4 and 1.4.10.
const ZOOMS: [(&str, u32, u32); 2] = [("200 %", 640, 2), ("400 %", 320, 4)];

/// What is cut off at the right. A table of figures may go on there (WCAG 2.2, 1.4.10): it needs both its directions.
const CUT_OFF: &str = "
    const width = document.documentElement.clientWidth;
    if (innerWidth !== arguments[0]) return [`the window is ${innerWidth} wide`];
    return [...document.querySelectorAll('body *')]
        .filter(e => e.checkVisibility() && !e.closest('table, .wide-table, svg, .skip') && e.getBoundingClientRect().right > width + 1 && e.getBoundingClientRect().width > 0)
        .map(e => `${e.outerHTML.slice(0, 90)} ends at ${Math.round(e.getBoundingClientRect().right)} of ${width}`)";

/// What the checker finds wrong with the page that is open, each with where it stands.
async fn findings(phone: &Phone, checker: &str) -> Result<Vec<String>> {
    let run = "const done = arguments[arguments.length - 1];
        axe.run(document, { resultTypes: ['violations'], preload: false, elementRef: false, runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] })
           .then(r => done(r.violations.flatMap(v => v.nodes.map(n => `${v.id}: ${n.target} ${n.failureSummary} ${n.html.slice(0, 200)}`))),
                 e => done([String(e)]));";
    phone.page.execute(checker, vec![]).await?;
    let found = phone.page.execute_async(run, vec![]).await?;
    Ok(found.as_array().context("a list")?.iter().map(|f| f.as_str().unwrap_or_default().to_owned()).collect())
}

fn checker() -> Result<String> {
    let packages = python_tool("python", "python")?.with_file_name("../lib");
    let found = std::fs::read_dir(&packages)?
        .filter_map(|entry| Some(entry.ok()?.path().join("site-packages/axe_playwright_python/axe.min.js")));
    let checker = found
        .filter(|path| path.exists())
        .last()
        .context("axe-playwright-python is not installed. Run ./tests/run once.")?;
    Ok(std::fs::read_to_string(checker)?)
}

/// Pages that are looked at in every way. What is not a whole path is how the path of one thing begins.
const LOOKED_AT: [&str; 15] = [
    "",
    "money",
    "customers/PLUM/account",
    "invoices/INV-1",
    "weigh",
    "stall",
    "stock",
    "fridge",
    "week",
    "blocks",
    "places/F1/count",
    "lots/OY",
    "orders/O-1",
    "dockets/D-1",
    "excursions/0",
];

fn is_looked_at(page: &str) -> bool {
    let path = page.splitn(4, '/').nth(3).unwrap_or_default();
    let one = |begins: &&str| {
        begins.contains('/') && path.starts_with(*begins) && path.matches('/').count() == begins.matches('/').count()
    };
    LOOKED_AT.iter().any(|begins| path == *begins || one(begins))
}

#[tokio::test(flavor = "multi_thread")]
async fn an_independent_checker_finds_nothing_on_any_page() -> Result<()> {
    let checker = checker()?;
    let (phone, pages) = phone_at_work().await?;
    let mut wrong = Vec::new();
    for page in &pages {
        phone.page.goto(page).await?;
        let status = "return performance.getEntriesByType('navigation')[0].responseStatus";
        assert_eq!(phone.page.execute(status, vec![]).await?, json!(200), "{page}");
        wrong.extend(findings(&phone, &checker).await?.into_iter().map(|f| format!("{page} {f}")));
    }
    // It finds what is wrong: a picture without words.
    phone.page.execute("document.querySelector('main').append(new Image())", vec![]).await?;
    ensure!(findings(&phone, &checker).await?.iter().any(|f| f.starts_with("image-alt")), "the checker does not look");
    phone.close().await?;
    ensure!(wrong.is_empty(), "{} findings:\n{}", wrong.len(), wrong.join("\n"));
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn nor_in_other_colours_or_at_four_times_the_size() -> Result<()> {
    let checker = checker()?;
    let (phone, pages) = phone_at_work().await?;
    let mut wrong = Vec::new();
    let looked_at: Vec<&String> = pages.iter().filter(|page| is_looked_at(page)).collect();
    ensure!(looked_at.len() == LOOKED_AT.len(), "{looked_at:?}");
    for (name, value) in COLOURS {
        phone.debug("Emulation.setEmulatedMedia", json!({"features": [{"name": name, "value": value}]})).await?;
        for page in &looked_at {
            phone.page.goto(page).await?;
            wrong.extend(findings(&phone, &checker).await?.into_iter().map(|f| format!("{value} {page} {f}")));
        }
    }
    phone.close().await?;
    let home = Url::parse(&pages[0])?.join("/")?;
    let window = Phone::open_window().await?;
    sign_in(&window, home.as_str().trim_end_matches('/')).await?;
    for (zoom, width, ratio) in ZOOMS {
        let metrics = json!({"width": width, "height": 900 / ratio, "deviceScaleFactor": ratio, "mobile": false});
        window.debug("Emulation.setDeviceMetricsOverride", metrics).await?;
        for page in &looked_at {
            window.page.goto(page).await?;
            let cut_off = window.page.execute(CUT_OFF, vec![json!(width)]).await?;
            let cut_off: Vec<String> = serde_json::from_value(cut_off)?;
            let found = findings(&window, &checker).await?.into_iter().chain(cut_off);
            wrong.extend(found.map(|f| format!("{zoom} {page} {f}")));
        }
    }
    window.close().await?;
    ensure!(wrong.is_empty(), "{} findings:\n{}", wrong.len(), wrong.join("\n"));
    Ok(())
}

/// Notes what the focus reaches, where nothing shows that it is there, and where something lies over it.
const WATCH: &str = "
    const reached = new Set(), unseen = [];
    const name = e => `${e.tagName} ${e.name || e.id || e.textContent.trim().slice(0, 30)}`;
    document.addEventListener('focusin', ({target: e}) => {
        reached.add(e);
        const shown = [e, e.parentElement, ...(e.labels || [])].some(s => { const c = getComputedStyle(s); return c.outlineStyle !== 'none' && parseFloat(c.outlineWidth) >= 2; });
        if (!shown) unseen.push(`${name(e)} does not show the focus`);
        const box = e.getBoundingClientRect();
        const over = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
        const own = [e, ...(e.labels || [])];
        if (over && !own.some(o => o.contains(over) || over.contains(o))) unseen.push(`${name(over)} lies over ${name(e)}`);
    });
    const look = () => [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex]')].filter(e =>
        e.tabIndex >= 0 && !e.disabled && !e.closest('[inert]') && e.checkVisibility({ visibilityProperty: true }));
    const wanted = look();
    window.walked = { look, reached, unseen, same: (a, b) => a === b || (!b.isConnected && a.outerHTML === b.outerHTML) };
    // A date is walked through by its parts.
    return wanted.length + 7 * document.querySelectorAll('[type^=date], [type=time], [type=month], [type=week]').length";

/// What was not reached. Of the choices of one question the keyboard reaches one, and the arrows the others.
const MISSED: &str = "
    // A part that was renewed meanwhile is made of other elements of the same kind.
    const { look, unseen, same } = window.walked;
    const wanted = look(), reached = new Set(wanted.filter(e => [...window.walked.reached].some(r => same(e, r))));
    const forms = [...document.forms];
    const group = e => e.type === 'radio' ? `${forms.indexOf(e.form)} ${e.name}` : null;
    const groups = new Set([...reached].map(group).filter(Boolean));
    return [...wanted.filter(e => !reached.has(e) && !groups.has(group(e))).map(e => `${e.outerHTML.slice(0, 120)} is not reached`), ...unseen]";

#[tokio::test(flavor = "multi_thread")]
async fn every_page_is_walked_by_keyboard_alone() -> Result<()> {
    let (phone, pages) = phone_at_work().await?;
    let mut wrong = Vec::new();
    for page in &pages {
        phone.page.goto(page).await?;
        let wanted = phone.page.execute(WATCH, vec![]).await?;
        let wanted = wanted.as_u64().with_context(|| format!("{page} {wanted}"))?;
        ensure!(wanted >= 3, "{page} has nothing to reach");
        let mut keys = KeyActions::new("keyboard".to_owned());
        for _ in 0..wanted + 3 {
            let tab = char::from(Key::Tab);
            keys = keys.then(KeyAction::Down { value: tab }).then(KeyAction::Up { value: tab });
        }
        phone.page.perform_actions(keys).await?;
        let missed = phone.page.execute(MISSED, vec![]).await?;
        let missed = missed.as_array().context("a list")?.iter();
        wrong.extend(missed.map(|m| format!("{page} {}", m.as_str().unwrap_or_default())));
    }
    // A page that renews itself leaves the focus where it was.
    let fridge = pages.iter().find(|p| p.ends_with("/fridge")).context("the fridge")?;
    phone.page.goto(fridge).await?;
    let renewed = "const done = arguments[0]; const link = document.querySelector('#live a[href^=\"/excursions/\"]'); link.focus();
        new MutationObserver(() => setTimeout(() => done([link.isConnected, document.activeElement.getAttribute('href') === link.getAttribute('href')])))
            .observe(document.getElementById('live'), { childList: true });
        renew();";
    assert_eq!(phone.page.execute_async(renewed, vec![]).await?, json!([false, true]), "the focus is lost");
    phone.close().await?;
    ensure!(wrong.is_empty(), "{} findings:\n{}", wrong.len(), wrong.join("\n"));
    Ok(())
}

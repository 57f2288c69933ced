//! Pages for everybody: held against WCAG 2.2 AA by axe-core 4.12 (of package axe-playwright-python 0.1.8), an independent checker, and walked
//! by keyboard alone.

use anyhow::{Context, Result, ensure};
use fantoccini::{
    actions::{InputSource, KeyAction, KeyActions},
    key::Key,
};
use gillbook_tests::{Phone, python_tool};
use reqwest::Url;
use serde_json::{Value, json};

use crate::pages::phone_at_work;

/// How a page is looked at, by its name, and the commands that bring it about.
fn looks() -> [(&'static str, &'static str, Value); 4] {
    const MEDIA: &str = "Emulation.setEmulatedMedia";
    const SCREEN: &str = "Emulation.setDeviceMetricsOverride";
    let media = |name: &str, value: &str| json!({"features": [{"name": name, "value": value}]});
    let screen = |width: u32, height: u32, ratio: u32| json!({"width": width, "height": height, "deviceScaleFactor": ratio, "mobile": false});
    [
        ("dark", MEDIA, media("prefers-color-scheme", "dark")),
        ("forced colours", MEDIA, media("forced-colors", "active")),
        // A window of 1280 pixels at 200 % and at 400 %, the widths of WCAG 2.2, 1.4.4 and 1.4.10.
        ("200 %", SCREEN, screen(640, 450, 2)),
        ("400 %", SCREEN, screen(320, 256, 4)),
    ]
}

/// What the checker finds wrong with the page that is open, each with where it stands.
async fn findings(phone: &Phone, checker: &str) -> Result<Vec<String>> {
    let run = "const done = arguments[arguments.length - 1];
        axe.run(document, { resultTypes: ['violations'], runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] })
           .then(r => done(r.violations.flatMap(v => v.nodes.map(n => `${v.id}: ${n.target} ${n.failureSummary} ${n.html.slice(0, 200)}`))),
                 e => done([String(e)]));";
    phone.page.execute(checker, vec![]).await?;
    let found = phone.page.execute_async(run, vec![]).await?;
    Ok(found.as_array().context("a list")?.iter().map(|f| f.as_str().unwrap_or_default().to_owned()).collect())
}

fn checker() -> Result<String> {
    let packages = python_tool("python", "python")?.with_file_name("../lib");
    let version = std::fs::read_dir(&packages)?.next().context("a Python")??.path();
    Ok(std::fs::read_to_string(version.join("site-packages/axe_playwright_python/axe.min.js"))?)
}

#[tokio::test(flavor = "multi_thread")]
async fn an_independent_checker_finds_nothing_on_any_page() -> Result<()> {
    let checker = checker()?;
    let (phone, pages) = phone_at_work().await?;
    let mut wrong = Vec::new();
    for page in &pages {
        phone.page.goto(page).await?;
        wrong.extend(findings(&phone, &checker).await?.into_iter().map(|f| format!("{page} {f}")));
    }
    // It finds what is wrong: a picture without words.
    phone.page.execute("document.querySelector('main').append(new Image())", vec![]).await?;
    ensure!(findings(&phone, &checker).await?.iter().any(|f| f.starts_with("image-alt")), "the checker does not look");
    let looked_at =
        ["/", "/weigh", "/stock", "/fridge", "/week", "/blocks", "/lots/", "/orders/O", "/dockets/D", "/excursions/"];
    for (look, command, with) in looks() {
        phone.debug(command, with).await?;
        for part in looked_at {
            let is_it = |page: &&String| {
                Url::parse(page).is_ok_and(|u| {
                    u.path() == part || part.len() > 5 && part.matches('/').count() > 1 && u.path().starts_with(part)
                })
            };
            let page = pages.iter().find(is_it).with_context(|| part.to_owned())?;
            phone.page.goto(page).await?;
            wrong.extend(findings(&phone, &checker).await?.into_iter().map(|f| format!("{look} {page} {f}")));
            if look.ends_with('%') {
                let wide = "return document.documentElement.scrollWidth > innerWidth";
                let is_wide = phone.page.execute(wide, vec![]).await? == json!(true);
                wrong.extend(is_wide.then(|| format!("{look} {page} scrolls sideways")));
            }
        }
    }
    phone.close().await?;
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
    const wanted = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex]')].filter(e =>
        e.tabIndex >= 0 && !e.disabled && !e.closest('[inert]') && e.checkVisibility({ visibilityProperty: true }));
    window.walked = { wanted, reached, unseen };
    // A date is walked through by its parts.
    return wanted.length + 7 * document.querySelectorAll('[type^=date], [type=time], [type=month], [type=week]').length";

/// What was not reached. Of the choices of one question the keyboard reaches one, and the arrows the others.
const MISSED: &str = "
    const { wanted, reached, unseen } = window.walked;
    const group = e => e.type === 'radio' ? e.form?.action + e.name : null;
    const groups = new Set([...reached].map(group).filter(Boolean));
    return [...wanted.filter(e => e.isConnected && !reached.has(e) && !groups.has(group(e))).map(e => `${e.outerHTML.slice(0, 120)} is not reached`), ...unseen]";

#[tokio::test(flavor = "multi_thread")]
async fn every_page_is_walked_by_keyboard_alone() -> Result<()> {
    let (phone, pages) = phone_at_work().await?;
    let mut wrong = Vec::new();
    for page in &pages {
        phone.page.goto(page).await?;
        let wanted = phone.page.execute(WATCH, vec![]).await?;
        let wanted = wanted.as_u64().with_context(|| format!("{page} {wanted}"))?;
        ensure!(wanted > 3, "{page} has nothing to reach");
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

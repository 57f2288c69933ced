//! Somebody at a phone who reaches every page by what the page before shows. Each touch and each key is counted.

use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use fantoccini::{
    Locator,
    actions::{InputSource, MOUSE_BUTTON_LEFT, PointerAction, TouchActions},
    elements::Element,
};
use gillbook_tests::Phone;
use serde_json::json;

/// How long a page may take.
const PAGE_TIMEOUT: Duration = Duration::from_secs(20);

/// What an act took.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Effort {
    /// Touches of links, buttons and fields.
    pub touches: usize,
    /// Keys typed.
    pub keys: usize,
}

/// Somebody at a phone.
pub struct Hand {
    /// The phone.
    pub phone: Phone,
    effort: Effort,
}

impl Hand {
    /// With a phone at a page.
    pub async fn at(page: &str) -> Result<Self> {
        let phone = Phone::open().await?;
        phone.page.goto(page).await?;
        Ok(Self { phone, effort: Effort::default() })
    }

    /// What was done since this was asked last, told with its name.
    pub fn spent(&mut self, act: &str) -> Effort {
        let spent = std::mem::take(&mut self.effort);
        println!("{act:<48} {:>4} touches {:>5} keys", spent.touches, spent.keys);
        spent
    }

    /// What the page shows beneath its navigation.
    pub async fn sees(&self) -> Result<String> {
        Ok(self.phone.page.find(Locator::Css("main")).await?.text().await?)
    }

    /// The path of the page.
    pub async fn place(&self) -> Result<String> {
        Ok(self.phone.page.current_url().await?.path().to_owned())
    }

    /// Touches what opens another page, and waits for it.
    async fn turn(&mut self, element: Element) -> Result<()> {
        self.phone.page.execute("window.turned = false", vec![]).await?;
        element.click().await?;
        self.effort.touches += 1;
        let there = "return window.turned === undefined && document.readyState === 'complete'";
        let wait = async {
            while self.phone.page.execute(there, vec![]).await? != json!(true) {}
            Ok::<_, anyhow::Error>(())
        };
        match tokio::time::timeout(PAGE_TIMEOUT, wait).await {
            Ok(turned) => turned,
            Err(_) => bail!("the page stays: {}", self.sees().await?),
        }
    }

    /// Follows a link that can be seen, or one behind "More".
    pub async fn follow(&mut self, href: &str) -> Result<()> {
        let place = self.place().await?;
        let links = self.phone.page.find_all(Locator::Css(&format!("a[href='{href}']"))).await?;
        for link in links {
            if link.is_displayed().await? {
                return self.turn(link).await;
            }
        }
        let more = self.phone.page.find(Locator::Css("nav .more summary")).await;
        more.with_context(|| format!("{place} has no way to {href}"))?.click().await?;
        self.effort.touches += 1;
        let link = self.phone.page.find(Locator::Css(&format!("nav .more a[href='{href}']"))).await;
        self.turn(link.with_context(|| format!("{place} has no way to {href}"))?).await
    }

    /// Follows links one after the other.
    pub async fn walk(&mut self, hrefs: &[&str]) -> Result<()> {
        for href in hrefs {
            self.follow(href).await?;
        }
        Ok(())
    }

    /// A field; where it is folded away, what it stands under is touched first.
    async fn unfolded(&mut self, action: &str, name: &str) -> Result<Element> {
        let field = self.field(action, name).await?;
        let open = "const fold = arguments[0].closest('details:not([open])'); if (fold) fold.open = true; return fold !== null";
        let folded = self.phone.page.execute(open, vec![serde_json::to_value(&field)?]).await?;
        self.effort.touches += usize::from(folded == true);
        Ok(field)
    }

    /// Draws a stroke with a finger, from the middle of something to its right.
    pub async fn draws_on(&mut self, css: &str) -> Result<()> {
        let box_of = "arguments[0].scrollIntoView({block: 'center'}); const r = arguments[0].getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]";
        let there = self.phone.page.find(Locator::Css(css)).await.with_context(|| css.to_owned())?;
        let middle = self.phone.page.execute(box_of, vec![serde_json::to_value(&there)?]).await?;
        let (x, y) = (middle[0].as_f64().context("left")?, middle[1].as_f64().context("top")?);
        let moved = |x: f64, y: f64| PointerAction::MoveTo { duration: None, x, y };
        let stroke = TouchActions::new("finger".into())
            .then(moved(x, y))
            .then(PointerAction::Down { button: MOUSE_BUTTON_LEFT })
            .then(moved(x + 30.0, y - 20.0))
            .then(moved(x + 60.0, y + 10.0))
            .then(PointerAction::Up { button: MOUSE_BUTTON_LEFT });
        self.phone.page.perform_actions(stroke).await?;
        self.effort.touches += 1;
        Ok(())
    }

    async fn field(&self, action: &str, name: &str) -> Result<Element> {
        let css = format!("form[action='{action}'] [name='{name}']");
        let place = self.place().await?;
        self.phone.page.find(Locator::Css(&css)).await.with_context(|| format!("{place}: {css}"))
    }

    /// Types into a field, over what stands in it.
    async fn types(&mut self, action: &str, name: &str, text: &str) -> Result<()> {
        let field = self.unfolded(action, name).await?;
        self.effort.touches += 1;
        self.effort.keys += text.len();
        let kind = field.attr("type").await?.unwrap_or_default();
        if kind == "date" || kind == "datetime-local" {
            // How a date is typed is the browser's own, by its language.
            let field = serde_json::to_value(field)?;
            self.phone.page.execute("arguments[0].value = arguments[1]", vec![field, json!(text)]).await?;
            return Ok(());
        }
        field.clear().await?;
        field.send_keys(text).await?;
        Ok(())
    }

    /// Chooses: a touch where the choices lie open, two where they are in a list.
    async fn chooses(&mut self, action: &str, name: &str, value: &str) -> Result<()> {
        let open = format!("form[action='{action}'] [name='{name}'][value='{value}']");
        if let Ok(choice) = self.phone.page.find(Locator::Css(&open)).await {
            choice.click().await?;
            self.effort.touches += 1;
        } else {
            self.unfolded(action, name).await?.select_by_value(value).await?;
            self.effort.touches += 2;
        }
        Ok(())
    }

    /// Fills in a form: what is typed, or, with a `=` before it, chosen.
    pub async fn fill(&mut self, action: &str, fields: &[(&str, &str)]) -> Result<()> {
        for (name, value) in fields {
            match value.strip_prefix('=') {
                Some(choice) => self.chooses(action, name, choice).await,
                None => self.types(action, name, value).await,
            }
            .with_context(|| format!("{action}: {name}"))?;
        }
        Ok(())
    }

    /// Sends a form. It has to be taken.
    pub async fn send(&mut self, action: &str) -> Result<()> {
        let css = format!("form[action='{action}'] button:not([type=button])");
        let place = self.place().await?;
        let button = self.phone.page.find(Locator::Css(&css)).await.with_context(|| format!("{place}: {css}"))?;
        self.turn(button).await?;
        let wrong = self.phone.page.find_all(Locator::Css("[role=alert].wrong")).await?;
        if let Some(wrong) = wrong.first() {
            bail!("{action} is refused: {}\n{}", wrong.text().await?, self.sees().await?);
        }
        ensure!(!self.sees().await?.contains("Something is broken"), "{action}");
        Ok(())
    }

    /// Fills in a form and sends it.
    pub async fn does(&mut self, action: &str, fields: &[(&str, &str)]) -> Result<()> {
        self.fill(action, fields).await?;
        self.send(action).await
    }

    /// Touches something that leaves the page as it is.
    pub async fn touch(&mut self, css: &str) -> Result<()> {
        self.phone.touch(css).await?;
        self.effort.touches += 1;
        Ok(())
    }
}

//! What the end-to-end tests share. The tests stand in the files beside this folder.

pub mod audit;
pub mod troubled;

use std::{
    io::{BufRead, BufReader, Write},
    net::SocketAddr,
    path::{Path, PathBuf},
    process::{Child, Command, Output, Stdio},
};

use anyhow::{Context, Result, bail, ensure};
use axum::Router;
use fantoccini::{
    Client, ClientBuilder, Locator,
    wd::{Capabilities, WebDriverCompatibleCommand},
};
use hyper_util::client::legacy::connect::HttpConnector;
use reqwest::{Method, Url};
use serde_json::{Value, json};
use tokio::{
    io::{AsyncBufReadExt, AsyncWriteExt},
    task::JoinHandle,
};

/// How often something that is there and not seen yet is tried: for some seconds, as each takes the driver some milliseconds.
const MAX_TOUCHES: u32 = 1000;

/// Serves a router on a port of its own until the test ends.
///
/// # Errors
/// When no port is free.
pub async fn serve(router: Router) -> Result<SocketAddr> {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
    let address = listener.local_addr()?;
    tokio::spawn(async move { axum::serve(listener, router).await });
    Ok(address)
}

/// The project's top folder.
#[must_use]
pub fn top() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// A program of one of the virtual environments that `tests/run` makes.
///
/// # Errors
/// When it is not there.
pub fn python_tool(environment: &str, program: &str) -> Result<PathBuf> {
    let home = std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| top().join("target"), PathBuf::from);
    let path = home.join(environment).join("bin").join(program);
    if !path.exists() {
        bail!("{} is not there. Run ./tests/run once: it installs what the tests need.", path.display());
    }
    Ok(path)
}

/// Runs a Python script of `tests/outside` with a text as its input.
///
/// # Errors
/// When it cannot be run. A script that fails is an output like any other.
pub fn python(script: &str, input: &str) -> Result<Output> {
    let mut child = Command::new(python_tool("python", "python")?)
        .arg(top().join("tests/outside").join(script))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()?;
    child.stdin.take().context("no input")?.write_all(input.as_bytes())?;
    Ok(child.wait_with_output()?)
}

/// A mail server that takes one message and gives it back.
///
/// # Errors
/// When no port is free.
pub async fn mail_server() -> Result<(String, JoinHandle<Result<String>>)> {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
    let url = format!("smtp://{}", listener.local_addr()?);
    let taken = tokio::spawn(async move {
        let (stream, _) = listener.accept().await?;
        let (read, mut write) = stream.into_split();
        let mut lines = tokio::io::BufReader::new(read).lines();
        write.write_all(b"220 mail.example.org ready\r\n").await?;
        let (mut message, mut reading) = (String::new(), false);
        while let Some(line) = lines.next_line().await? {
            if reading && line == "." {
                reading = false;
                write.write_all(b"250 taken\r\n").await?;
            } else if reading {
                message.push_str(&line);
                message.push('\n');
            } else if line == "DATA" {
                reading = true;
                write.write_all(b"354 go on\r\n").await?;
            } else if line == "QUIT" {
                break;
            } else {
                write.write_all(b"250 yes\r\n").await?;
            }
            if !message.is_empty() && !reading {
                break;
            }
        }
        anyhow::Ok(message)
    });
    Ok((url, taken))
}

/// A real browser at a phone's size, 390 × 844, with touch.
#[derive(Debug)]
pub struct Phone {
    /// The page.
    pub page: Client,
    driver: Child,
}

impl Phone {
    /// Opens one.
    ///
    /// # Errors
    /// When Chromium or its driver is not installed.
    pub async fn open() -> Result<Self> {
        Self::open_with(true, None).await
    }

    /// Opens one that keeps what it stores in a directory, where it finds it again.
    ///
    /// # Errors
    /// When Chromium or its driver is not installed.
    pub async fn open_in(profile: &Path) -> Result<Self> {
        Self::open_with(true, Some(profile)).await
    }

    /// Opens a window at a desk, whose size [`Self::debug`] may set.
    ///
    /// # Errors
    /// When Chromium or its driver is not installed.
    pub async fn open_window() -> Result<Self> {
        Self::open_with(false, None).await
    }

    async fn open_with(is_phone: bool, profile: Option<&Path>) -> Result<Self> {
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .context("chromedriver is not installed. Run ./tests/run once: it installs what the tests need.")?;
        let mut said = BufReader::new(driver.stdout.take().context("no output")?).lines();
        let port: u16 = loop {
            let line = said.next().context("chromedriver ended")??;
            if let Some((_, port)) = line.split_once("successfully on port ") {
                break port.trim_end_matches('.').parse()?;
            }
        };
        // Read on, so that the driver never waits for us.
        std::thread::spawn(move || said.for_each(drop));
        let mut args: Vec<String> =
            ["--headless=new", "--no-sandbox", "--disable-background-networking", "--disable-dev-shm-usage"]
                .map(str::to_owned)
                .into();
        args.push("--host-resolver-rules=MAP *.test 127.0.0.1".to_owned());
        args.extend(profile.map(|home| format!("--user-data-dir={}", home.display())));
        let mut options = json!({"args": args});
        if is_phone {
            let metrics = json!({"width": 390, "height": 844, "pixelRatio": 2.0, "touch": true});
            options["mobileEmulation"] = json!({"deviceMetrics": metrics});
        }
        let mut wishes = Capabilities::new();
        wishes.insert("goog:chromeOptions".into(), options);
        wishes.insert("goog:loggingPrefs".into(), json!({"browser": "SEVERE"}));
        let page = ClientBuilder::new(HttpConnector::new())
            .capabilities(wishes)
            .connect(&format!("http://127.0.0.1:{port}"))
            .await;
        match page {
            Ok(page) => Ok(Self { page, driver }),
            Err(error) => {
                driver.kill()?;
                driver.wait()?;
                Err(error.into())
            }
        }
    }

    /// Asks the browser's own debugger for what `WebDriver` has no words: <https://chromedevtools.github.io/devtools-protocol/>.
    ///
    /// # Errors
    /// When the browser does not know it.
    pub async fn debug(&self, command: &'static str, with: Value) -> Result<()> {
        self.page.issue_cmd(Debugging(command, with)).await?;
        Ok(())
    }

    /// Touches what is there, once it can be touched: a page that still draws itself has what nobody sees yet.
    ///
    /// # Errors
    /// When it is not there, or stays where it cannot be touched.
    pub async fn touch(&self, css: &str) -> Result<()> {
        let mut left = MAX_TOUCHES;
        loop {
            let there = self.page.wait().for_element(Locator::Css(css)).await.with_context(|| css.to_owned())?;
            match there.click().await {
                Err(error) if left > 0 && error.to_string().contains("element not interactable") => left -= 1,
                done => return done.with_context(|| format!("touching {css}")),
            }
        }
    }

    /// Kills one that keeps what it stores in a directory: it writes nothing down any more.
    ///
    /// # Errors
    /// When there is none, or it does not end.
    pub fn kill(self, profile: &Path) -> Result<()> {
        let own = format!("user-data-dir={}", profile.display());
        let killed = Command::new("pkill").args(["-KILL", "-f", &own]).status()?;
        ensure!(killed.success(), "no browser has {own}");
        for _ in 0..1000 {
            if !Command::new("pgrep").args(["-f", &own]).stdout(Stdio::null()).status()?.success() {
                return Ok(());
            }
        }
        bail!("a browser with {own} does not end");
    }

    /// Closes it.
    ///
    /// # Errors
    /// When the driver is gone.
    pub async fn close(mut self) -> Result<()> {
        let page = self.page.clone();
        page.close().await?;
        self.driver.kill()?;
        self.driver.wait()?;
        Ok(())
    }
}

#[derive(Debug)]
struct Debugging(&'static str, Value);

impl WebDriverCompatibleCommand for Debugging {
    fn endpoint(&self, base: &Url, session: Option<&str>) -> Result<Url, <Url as std::str::FromStr>::Err> {
        base.join(&format!("session/{}/goog/cdp/execute", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &Url) -> (Method, Option<String>) {
        (Method::POST, Some(json!({"cmd": self.0, "params": self.1}).to_string()))
    }
}

impl Drop for Phone {
    fn drop(&mut self) {
        // A test that failed half-way leaves no driver behind.
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

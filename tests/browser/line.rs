//! A line between a phone and the service, which a test can cut.

use std::net::SocketAddr;

use anyhow::Result;
use tokio::{
    io::copy_bidirectional,
    net::{TcpListener, TcpStream},
    sync::watch,
};

/// How a line is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Carries {
    /// Everything.
    All,
    /// Nothing is taken, and what was open is gone.
    Nothing,
    /// What is sent is taken and never answered.
    Silence,
}

/// A line to the service.
pub struct Line {
    pub carries: watch::Sender<Carries>,
    pub home: String,
}

impl Line {
    pub async fn to(service: SocketAddr) -> Result<Self> {
        let listener = TcpListener::bind("127.0.0.1:0").await?;
        let home = format!("http://{}", listener.local_addr()?);
        let (carries, now) = watch::channel(Carries::All);
        tokio::spawn(async move {
            while let Ok((mut near, _)) = listener.accept().await {
                let mut now = now.clone();
                tokio::spawn(async move {
                    let begun = *now.borrow_and_update();
                    match begun {
                        Carries::Nothing => Ok(()),
                        Carries::Silence => {
                            now.wait_for(|now| *now != begun).await.map(drop).map_err(std::io::Error::other)
                        }
                        Carries::All => {
                            let mut far = TcpStream::connect(service).await?;
                            tokio::select! {
                                carried = copy_bidirectional(&mut near, &mut far) => carried.map(drop),
                                _ = now.wait_for(|now| *now != begun) => Ok(()),
                            }
                        }
                    }
                });
            }
        });
        Ok(Self { carries, home })
    }

    pub fn cut(&self, cut: bool) {
        self.carries.send_replace(if cut { Carries::Nothing } else { Carries::All });
    }
}

//! Where connections come in: an address, or a Unix socket for a proxy on the same machine.

use std::{
    fmt, io,
    net::{IpAddr, SocketAddr},
    os::unix::{fs::PermissionsExt, net},
    path::{Path, PathBuf},
    str::FromStr,
};

use crate::tls::Tls;
use anyhow::{Context, Result, bail};
use tokio::net::{TcpListener, TcpStream, UnixListener, UnixStream};
use tokio_util::either::Either;

/// Who may connect to a Unix socket: its owner and their group.
const SOCKET_MODE: u32 = 0o660;

/// Where to listen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ListenAddr {
    /// An address and its port.
    Address(SocketAddr),
    /// The whole path of a Unix socket.
    Socket(PathBuf),
}

impl FromStr for ListenAddr {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match text.strip_prefix("unix:") {
            Some(path) if path.starts_with('/') => Ok(Self::Socket(path.into())),
            Some(_) => Err("give the whole path of the socket, as in unix:/run/gillbook/http"),
            None => text.parse().map(Self::Address).map_err(
                |_| "give an address with its port, as in 127.0.0.1:8080, or unix: and the whole path of a socket",
            ),
        }
    }
}

impl fmt::Display for ListenAddr {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Address(_) => f.write_str(&self.over("http")),
            Self::Socket(path) => write!(f, "unix:{}", path.display()),
        }
    }
}

impl ListenAddr {
    /// How it is asked for over a scheme.
    pub(crate) fn over(&self, scheme: &str) -> String {
        match self {
            Self::Address(address) => format!("{scheme}://{address}"),
            Self::Socket(_) => self.to_string(),
        }
    }
}

/// Takes connections. A socket's file is removed with it.
#[derive(Debug)]
pub struct Listener {
    kind: Kind,
    tls: Option<Tls>,
}

/// A connection.
pub(crate) type Stream = Either<TcpStream, UnixStream>;

#[derive(Debug)]
enum Kind {
    Address(TcpListener),
    Socket(UnixListener, SocketFile),
}

#[derive(Debug)]
struct SocketFile(PathBuf);

impl Drop for SocketFile {
    fn drop(&mut self) {
        std::fs::remove_file(&self.0).ok();
    }
}

impl Listener {
    /// The same, with TLS ended here.
    #[must_use]
    pub fn ending(self, tls: Tls) -> Self {
        Self { tls: Some(tls), ..self }
    }

    pub(crate) fn tls(&self) -> Option<Tls> {
        self.tls.clone()
    }

    /// Where it listens: of an address whose port was left to the system, that port.
    ///
    /// # Errors
    /// When the system does not tell.
    pub fn place(&self) -> io::Result<ListenAddr> {
        Ok(match &self.kind {
            Kind::Address(listener) => ListenAddr::Address(listener.local_addr()?),
            Kind::Socket(_, file) => ListenAddr::Socket(file.0.clone()),
        })
    }

    /// The next connection, and where it comes from.
    pub(crate) async fn accept(&self) -> io::Result<(Stream, Option<IpAddr>)> {
        match &self.kind {
            Kind::Address(listener) => {
                let (stream, from) = listener.accept().await?;
                stream.set_nodelay(true).ok();
                Ok((Either::Left(stream), Some(from.ip())))
            }
            Kind::Socket(listener, _) => Ok((Either::Right(listener.accept().await?.0), None)),
        }
    }
}

/// Listens.
///
/// # Errors
/// When the place is taken or not ours.
pub async fn listen(place: &ListenAddr) -> Result<Listener> {
    let kind = match place {
        ListenAddr::Address(address) => TcpListener::bind(address).await.map(Kind::Address),
        ListenAddr::Socket(path) => {
            remove_left_over(path)?;
            bind(path)
        }
    };
    kind.map(|kind| Listener { kind, tls: None })
        .with_context(|| format!("Cannot listen on {place}. Choose another --listen."))
}

fn bind(path: &Path) -> io::Result<Kind> {
    let listener = UnixListener::bind(path)?;
    let file = SocketFile(path.to_owned());
    std::fs::set_permissions(path, PermissionsExt::from_mode(SOCKET_MODE))?;
    Ok(Kind::Socket(listener, file))
}

/// Removes the socket that a program left which was killed: one where nobody listens any more.
fn remove_left_over(path: &Path) -> Result<()> {
    match net::UnixStream::connect(path) {
        Ok(_) => bail!("Another program listens on {}. Stop it, or choose another --listen.", path.display()),
        Err(error) if error.kind() == io::ErrorKind::ConnectionRefused && is_socket(path) => {
            Ok(std::fs::remove_file(path)?)
        }
        Err(_) => Ok(()),
    }
}

fn is_socket(path: &Path) -> bool {
    use std::os::unix::fs::FileTypeExt;
    std::fs::symlink_metadata(path).is_ok_and(|file| file.file_type().is_socket())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_an_address_or_the_whole_path_of_a_socket() {
        for text in ["127.0.0.1:8080", "[::1]:80"] {
            assert_eq!(format!("http://{text}"), text.parse::<ListenAddr>().unwrap().to_string());
        }
        assert_eq!("unix:/run/gillbook/http".parse(), Ok(ListenAddr::Socket("/run/gillbook/http".into())));
        for wrong in ["", "8080", "localhost:80", "unix:", "unix:http", "/run/gillbook/http"] {
            assert!(wrong.parse::<ListenAddr>().is_err(), "{wrong}");
        }
    }

    #[tokio::test]
    async fn a_socket_that_was_left_is_taken_over_and_one_that_is_used_or_no_socket_is_not() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("http");
        let place = ListenAddr::Socket(path.clone());
        let first = listen(&place).await.unwrap();
        assert_eq!(first.place().unwrap(), place);
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, SOCKET_MODE);
        assert!(listen(&place).await.unwrap_err().to_string().contains("Another program"));
        // As after a kill: the file is there and nobody listens.
        drop(first);
        assert!(!path.exists(), "removed with the listener");
        drop(net::UnixListener::bind(&path).unwrap());
        assert!(path.exists());
        drop(listen(&place).await.unwrap());

        std::fs::write(&path, "mine").unwrap();
        assert!(listen(&place).await.unwrap_err().to_string().contains("Choose another --listen"));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "mine");
    }
}

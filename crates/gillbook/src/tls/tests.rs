use std::{net::SocketAddr, os::unix::fs::PermissionsExt, path::Path};

use axum::{Router, routing::get};
use rustls::{ClientConfig, RootCertStore, pki_types::ServerName};
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt},
    net::TcpStream,
    sync::oneshot,
};
use tokio_rustls::TlsConnector;

use super::*;
use crate::{
    listen::{ListenAddr, listen},
    serve::serve,
};

fn names(names: &[&str]) -> Vec<LocalName> {
    names.iter().map(|n| n.parse().unwrap()).collect()
}

fn own(home: &Path, of: &[&str]) -> Tls {
    Tls::new(Source::Own { authority: Authority::kept_in(home).unwrap().into(), names: names(of) }).unwrap()
}

/// Serves one page over TLS until the sender is dropped.
async fn served(tls: Tls) -> (SocketAddr, oneshot::Sender<()>) {
    let listener = listen(&ListenAddr::Address("127.0.0.1:0".parse().unwrap())).await.unwrap();
    let ListenAddr::Address(address) = listener.place().unwrap() else { panic!("an address") };
    let (stop, stopped) = oneshot::channel::<()>();
    let router = Router::new().route("/", get(|| async { "the book" }));
    tokio::spawn(serve(listener.ending(tls), router, async { drop(stopped.await) }));
    (address, stop)
}

async fn ask(mut stream: impl AsyncRead + AsyncWrite + Unpin, request: &str) -> String {
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    answer
}

/// Asks for the page as a browser that trusts `authority` does, by a name.
async fn ask_over_tls(address: SocketAddr, name: &str, authority: &[u8]) -> io::Result<String> {
    let mut roots = RootCertStore::empty();
    roots.add(authority.to_vec().into()).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let client = ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions().unwrap();
    let client = client.with_root_certificates(roots).with_no_client_auth();
    let stream = TcpStream::connect(address).await?;
    let name = ServerName::try_from(name.to_owned()).unwrap();
    let stream = TlsConnector::from(Arc::new(client)).connect(name, stream).await?;
    Ok(ask(stream, "GET / HTTP/1.1\r\nHost: here\r\nConnection: close\r\n\r\n").await)
}

fn authority_of(home: &Path) -> Vec<u8> {
    Authority::kept_in(home).unwrap().der().to_vec()
}

#[tokio::test]
async fn a_phone_that_trusts_the_farms_authority_sees_the_pages_by_each_name() {
    let home = tempfile::tempdir().unwrap();
    let (address, _stop) = served(own(home.path(), &["gillbook.local", "127.0.0.1"])).await;
    let authority = authority_of(home.path());
    for name in ["gillbook.local", "127.0.0.1"] {
        assert!(ask_over_tls(address, name, &authority).await.unwrap().ends_with("the book"), "{name}");
    }
    assert!(ask_over_tls(address, "other.local", &authority).await.is_err(), "a name that it is not");
    let elsewhere = tempfile::tempdir().unwrap();
    assert!(
        ask_over_tls(address, "gillbook.local", &authority_of(elsewhere.path())).await.is_err(),
        "another authority"
    );
}

#[tokio::test]
async fn the_authority_outlives_a_start_and_its_key_is_read_by_nobody_else() {
    let home = tempfile::tempdir().unwrap();
    let home = home.path().join("tls");
    let first = authority_of(&home);
    assert_eq!(authority_of(&home), first);
    let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&home), mode(&home.join("authority-key.pem"))), (0o700, 0o600));
    // A start that was killed before the certificate was there makes both anew.
    std::fs::remove_file(home.join("authority.pem")).unwrap();
    assert_ne!(authority_of(&home), first);
}

#[tokio::test]
async fn the_authority_vouches_for_nothing_outside_the_farms_network() {
    let home = tempfile::tempdir().unwrap();
    let authority = Authority::kept_in(home.path()).unwrap();
    let der = authority.der().to_vec();
    // As somebody would who had stolen the key.
    let names = vec![LocalName::Name("bank.example".into()), LocalName::Address("9.9.9.9".parse().unwrap())];
    let (address, _stop) = served(Tls::new(Source::Own { authority: authority.into(), names }).unwrap()).await;
    for name in ["bank.example", "9.9.9.9"] {
        let error = ask_over_tls(address, name, &der).await.unwrap_err().to_string();
        assert!(error.contains("NameConstraintViolation"), "{name}: {error}");
    }
}

#[test]
fn names_are_of_a_network_of_ones_own() {
    for good in
        ["gillbook.local", "GILLBOOK.home.arpa", "localhost", "box.lan", "192.168.1.20", "10.0.0.2", "fd00::1", "::1"]
    {
        assert!(good.parse::<LocalName>().is_ok(), "{good}");
    }
    for bad in [
        "",
        "farm.example.com",
        "local.example",
        "notlocal",
        "9.9.9.9",
        "2620:fe::9",
        "-a.local",
        "a..local",
        "a b.local",
        "a\n.local",
    ] {
        assert!(bad.parse::<LocalName>().is_err(), "{bad:?}");
    }
}

#[tokio::test]
async fn over_plain_http_the_way_is_told_and_nothing_is_taken_in() {
    let home = tempfile::tempdir().unwrap();
    let (address, _stop) = served(own(home.path(), &["127.0.0.1"])).await;
    let plain = async |request: &str| {
        let request = format!("{request} HTTP/1.1\r\nHost: 192.168.1.20:8443\r\nConnection: close\r\n\r\n");
        ask(TcpStream::connect(address).await.unwrap(), &request).await
    };
    let page = plain("GET /weigh?x=1").await;
    assert!(page.starts_with("HTTP/1.1 200") && page.contains("https://192.168.1.20:8443/weigh"), "{page}");
    assert!(!page.contains("the book"), "{page}");
    let certificate = file_at(address, "/gillbook.crt").await;
    assert_eq!(certificate, authority_of(home.path()));
    assert!(plain("POST /api/sign-in").await.starts_with("HTTP/1.1 426"));
    let hostile = ask(
        TcpStream::connect(address).await.unwrap(),
        "GET / HTTP/1.1\r\nHost: \"><script>\r\nConnection: close\r\n\r\n",
    );
    assert!(!hostile.await.contains("<script>"));
}

/// The body of a file over plain HTTP.
async fn file_at(address: SocketAddr, path: &str) -> Vec<u8> {
    let mut stream = TcpStream::connect(address).await.unwrap();
    let request = format!("GET {path} HTTP/1.1\r\nHost: here\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await.unwrap();
    let body = answer.windows(4).position(|w| w == b"\r\n\r\n").unwrap() + 4;
    answer.split_off(body)
}

#[tokio::test]
async fn one_that_never_says_a_word_keeps_nobody_waiting() {
    let home = tempfile::tempdir().unwrap();
    let (address, _stop) = served(own(home.path(), &["127.0.0.1"])).await;
    let mut silent = Vec::new();
    for said in [&b""[..], &[HANDSHAKE], &[HANDSHAKE, 3, 1, 2, 0]] {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(said).await.unwrap();
        silent.push(stream);
    }
    assert!(ask_over_tls(address, "127.0.0.1", &authority_of(home.path())).await.unwrap().ends_with("the book"));
}

#[tokio::test]
async fn files_of_a_certificate_are_read_again_and_a_broken_one_changes_nothing() {
    let home = tempfile::tempdir().unwrap();
    let (certificate, key) = (home.path().join("chain.pem"), home.path().join("key.pem"));
    let write = |of: &str| {
        let made = rcgen::generate_simple_self_signed([of.to_owned()]).unwrap();
        std::fs::write(&certificate, made.cert.pem()).unwrap();
        std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
        made.cert.der().to_vec()
    };
    let first = write("farm.example");
    let source = || Source::Files { certificate: certificate.clone(), key: key.clone() };
    let tls = Tls::new(source()).unwrap();
    let (address, _stop) = served(tls.clone()).await;
    assert!(ask_over_tls(address, "farm.example", &first).await.is_ok());
    let second = write("farm.example");
    tls.current.set(tls.source.certified().unwrap());
    assert!(ask_over_tls(address, "farm.example", &second).await.is_ok());
    assert!(ask_over_tls(address, "farm.example", &first).await.is_err());
    // The key of another certificate.
    let other = rcgen::generate_simple_self_signed(["farm.example".to_owned()]).unwrap();
    std::fs::write(&key, other.signing_key.serialize_pem()).unwrap();
    assert!(tls.source.certified().is_err());
    std::fs::write(&certificate, "").unwrap();
    assert!(Tls::new(source()).is_err());
    // Whoever comes without TLS is led on.
    let plain = "GET /orders HTTP/1.1\r\nHost: farm.example\r\nConnection: close\r\n\r\n";
    let led = ask(TcpStream::connect(address).await.unwrap(), plain).await;
    assert!(led.starts_with("HTTP/1.1 308") && led.contains("location: https://farm.example/orders"), "{led}");
}

//! The embedded database: whose directory it takes, whose server it takes over, and what an interrupted start leaves.

use std::{
    fs,
    io::{Read, Write},
    net::TcpListener,
    os::unix::{
        fs::{MetadataExt, PermissionsExt, chown, symlink},
        process::CommandExt,
    },
    path::Path,
    process::{Command, Stdio},
};

use anyhow::{Context, Result, ensure};
use gillbook::cluster::find_binaries;
use gillbook_testkit::Farm;
use rustix::process::{Pid, Signal, kill_process};

use crate::common::{Serving, Watch, admin, gillbook, home, said};

/// A command that must end well, and what it said.
fn check(home: &Path) -> Result<String> {
    let output = gillbook(home).arg("check").output()?;
    ensure!(output.status.success(), "{}", said(&output));
    Ok(said(&output))
}

/// A command that must be refused, and what it said.
fn refused(home: &Path) -> Result<String> {
    let output = gillbook(home).arg("check").output()?;
    ensure!(!output.status.success(), "{}", said(&output));
    Ok(said(&output))
}

fn until_gone(pid: Pid) {
    while fs::metadata(format!("/proc/{pid}/cwd")).is_ok() {
        std::thread::yield_now();
    }
}

#[test]
fn nobody_else_decides_where_its_socket_or_its_data_stand() -> Result<()> {
    let home = home()?;
    let _watch = Watch(home.path().to_owned());
    // A link where the socket's directory is to be: what it leads to is left as it is.
    let theirs = tempfile::tempdir()?;
    fs::set_permissions(theirs.path(), PermissionsExt::from_mode(0o755))?;
    symlink(theirs.path(), home.path().join("run"))?;
    let before = fs::metadata(theirs.path())?;
    let told = refused(home.path())?;
    ensure!(told.contains("is not a directory that the database's user alone may enter"), "{told}");
    let after = fs::metadata(theirs.path())?;
    assert_eq!((before.mode(), before.uid()), (after.mode(), after.uid()));
    // A directory that others may enter.
    fs::remove_file(home.path().join("run"))?;
    fs::create_dir(home.path().join("run"))?;
    fs::set_permissions(home.path().join("run"), PermissionsExt::from_mode(0o777))?;
    ensure!(refused(home.path())?.contains("alone may enter"));
    fs::remove_dir(home.path().join("run"))?;
    check(home.path())?;
    // A home that others may write to, or that is another user's.
    fs::set_permissions(home.path(), PermissionsExt::from_mode(0o777))?;
    ensure!(refused(home.path())?.contains("can be changed by other users"));
    fs::set_permissions(home.path(), PermissionsExt::from_mode(0o755))?;
    if rustix::process::geteuid().is_root() {
        chown(home.path(), Some(65534), None)?;
        ensure!(refused(home.path())?.contains("can be changed by other users"));
        chown(home.path(), Some(0), None)?;
    }
    check(home.path())?;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_of_another_directory_is_not_taken_over() -> Result<()> {
    let (home, other) = (home()?, home()?);
    let watch = Watch(home.path().to_owned());
    let serving = Serving::start(home.path())?;
    let farm = Farm::over(admin(home.path()).await?, vec![serving.address()]).await?;
    farm.set_up().await;
    ensure!(serving.stop()?, "it stops without an error");
    // A copy as a backup has it.
    let (data, backup) = (home.path().join("database"), other.path().join("database"));
    ensure!(Command::new("cp").arg("-a").arg(&data).arg(&backup).status()?.success());
    // The program is killed, its server runs on, and meanwhile the backup is put in the place of the data.
    let serving = Serving::start(home.path())?;
    let server = watch.server().context("a server runs")?;
    serving.kill()?;
    fs::rename(&data, home.path().join("database.aside"))?;
    fs::rename(&backup, &data)?;
    let told = refused(home.path())?;
    ensure!(told.contains("was the directory replaced while it ran?"), "{told}");
    ensure!(told.contains(&format!("kill -QUIT {server}")), "{told}");
    ensure!(!data.join("postmaster.pid").exists(), "nothing was started in the backup");
    // Ended as it says: the backup is whole, and so is what was moved aside.
    kill_process(server, Signal::QUIT)?;
    until_gone(server);
    ensure!(check(home.path())?.contains("Everything holds."));
    fs::remove_dir_all(&data)?;
    fs::rename(home.path().join("database.aside"), &data)?;
    ensure!(check(home.path())?.contains("Everything holds."));
    Ok(())
}

#[test]
fn a_first_start_that_was_cut_short_is_begun_again() -> Result<()> {
    let home = home()?;
    let _watch = Watch(home.path().to_owned());
    let half = home.path().join("database.unfinished-1");
    fs::create_dir(&half)?;
    fs::write(half.join("PG_VERSION"), "15\n")?;
    ensure!(check(home.path())?.contains("Everything holds."));
    ensure!(!half.exists(), "and nothing is left of it");
    Ok(())
}

#[test]
fn a_newer_server_that_is_installed_beside_stops_nothing() -> Result<()> {
    let (home, beside) = (home()?, home()?);
    let _watch = Watch(home.path().to_owned());
    check(home.path())?;
    let made = fs::read_to_string(home.path().join("database/PG_VERSION"))?;
    for program in ["postgres", "initdb"] {
        fs::write(beside.path().join(program), "#!/bin/sh\necho 'postgres (PostgreSQL) 99.1'\n")?;
        fs::set_permissions(beside.path().join(program), PermissionsExt::from_mode(0o755))?;
    }
    let path = format!("{}:{}", beside.path().display(), std::env::var("PATH")?);
    let output = gillbook(home.path()).env("PATH", path).arg("check").output()?;
    ensure!(output.status.success(), "{}", said(&output));
    // Where the data's own version is gone it says which one, and where to read on.
    let output = gillbook(home.path()).env("GILLBOOK_POSTGRES_BIN", beside.path()).arg("check").output()?;
    let told = said(&output);
    ensure!(told.contains(&format!("made by Postgres {}", made.trim())) && told.contains("A newer Postgres"), "{told}");
    Ok(())
}

#[test]
fn a_start_that_fails_leaves_no_server() -> Result<()> {
    let home = home()?;
    let watch = Watch(home.path().to_owned());
    let taken = TcpListener::bind("127.0.0.1:0")?;
    let listen = taken.local_addr()?.to_string();
    let output = gillbook(home.path()).args(["serve", "--listen", &listen]).output()?;
    ensure!(!output.status.success() && said(&output).contains("Choose another --listen"), "{}", said(&output));
    ensure!(watch.server().is_none(), "the server it had started is gone");
    Ok(())
}

/// A server that was killed left its number, and another process of the same user has been given it since.
#[test]
fn a_number_that_belongs_to_another_process_by_now_harms_nobody() -> Result<()> {
    let home = home()?;
    let watch = Watch(home.path().to_owned());
    check(home.path())?;
    let data = home.path().join("database");
    let mut bystander = Command::new("sleep").arg("600").uid(fs::metadata(&data)?.uid()).spawn()?;
    let left = format!("{}\n{}\n1\n5432\n{}\n", bystander.id(), data.display(), home.path().join("run").display());
    fs::write(data.join("postmaster.pid"), left)?;
    let done = check(home.path());
    let unharmed = bystander.try_wait()?.is_none();
    bystander.kill()?;
    bystander.wait()?;
    ensure!(done?.contains("Everything holds."));
    ensure!(unharmed, "the other process goes on");
    ensure!(watch.server().is_none());
    Ok(())
}

#[test]
fn a_passphrase_is_not_shown_at_the_terminal() -> Result<()> {
    let home = home()?;
    let _watch = Watch(home.path().to_owned());
    let add = "farms add 'Reed Bank' --zone Europe/Paris --currency EUR --owner Ada --initials AB --sign-in ada";
    let command = format!("{} {add}", env!("CARGO_BIN_EXE_gillbook"));
    let mut terminal = Command::new("script")
        .args(["-qec", &command, "/dev/null"])
        .env_remove("DATABASE_URL")
        .env("GILLBOOK_DATA_DIR", home.path())
        .env("RUST_LOG", "error")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()?;
    let (mut keys, mut screen) = (terminal.stdin.take().context("keys")?, terminal.stdout.take().context("a screen")?);
    let (mut shown, mut byte) = (Vec::new(), [0]);
    while !String::from_utf8_lossy(&shown).contains("not shown): ") {
        ensure!(screen.read(&mut byte)? == 1, "it asks: {}", String::from_utf8_lossy(&shown));
        shown.push(byte[0]);
    }
    keys.write_all(b"four words do well\n")?;
    screen.read_to_end(&mut shown)?;
    let shown = String::from_utf8_lossy(&shown).into_owned();
    ensure!(terminal.wait()?.success() && shown.contains("Farm 1 is open"), "{shown}");
    ensure!(!shown.contains("four words"), "{shown}");
    Ok(())
}

/// Dumped and restored with the server's own programs, as it is done between two versions; here there is one.
#[tokio::test(flavor = "multi_thread")]
async fn a_book_is_dumped_and_restored_into_a_new_database() -> Result<()> {
    let (old, new) = (home()?, home()?);
    let _watches = [Watch(old.path().to_owned()), Watch(new.path().to_owned())];
    let serving = Serving::start(old.path())?;
    let farm = Farm::over(admin(old.path()).await?, vec![serving.address()]).await?;
    farm.set_up().await;
    let kept = farm.create("/api/weighings", Farm::weighing(1500)).await;
    let dump = old.path().join("book.dump");
    let bin = find_binaries()?;
    let dumped = Command::new(bin.join("pg_dump"))
        .args(["--format=custom", "--username=gillbook_admin", "--dbname=gillbook"])
        .arg("--host")
        .arg(old.path().join("run"))
        .arg("--file")
        .arg(&dump)
        .output()?;
    ensure!(dumped.status.success(), "{}", said(&dumped));
    ensure!(serving.stop()?);
    let restored = gillbook(new.path()).arg("restore").arg(&dump).output()?;
    ensure!(restored.status.success(), "{}", said(&restored));
    ensure!(check(new.path())?.contains("Everything holds."));
    let serving = Serving::start(new.path())?;
    let farm = farm.moved_to(vec![serving.address()]);
    let path = format!("/api/weighings/{}", kept["id"].as_str().context("an id")?);
    assert_eq!(farm.get(&path).await["net_g"], 1500);
    ensure!(serving.stop()?);
    // A second time there is a book in the way.
    let again = gillbook(new.path()).arg("restore").arg(&dump).output()?;
    ensure!(!again.status.success() && said(&again).contains("holds a book already"), "{}", said(&again));
    Ok(())
}

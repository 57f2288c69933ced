//! The first farm is opened by somebody who can read what the program prints at its start.

use std::sync::{Mutex, PoisonError};

use gillbook_core::refusal::{Refusal, RefusalKind};
use gillbook_store::{farm::farms::NewFarm, secret::one_time_code};

use crate::{App, problem::Problem, sign_in::Origin};

/// The code that opens a farm, until it has.
#[derive(Debug, Default)]
pub(crate) struct Setup(Mutex<Option<String>>);

/// What of a code counts: letters and digits.
fn plain(code: &str) -> String {
    code.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect()
}

/// A code that was typed, out of everybody's reach while a farm is opened by it. It is offered again where none was, also when the request
/// goes away meanwhile.
struct Claim<'a> {
    setup: &'a Setup,
    code: Option<String>,
}

impl Drop for Claim<'_> {
    fn drop(&mut self) {
        if let Some(code) = self.code.take() {
            self.setup.set(Some(code));
        }
    }
}

impl Setup {
    fn set(&self, code: Option<String>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = code;
    }

    /// Claims the code if it is the one that was typed: of two who type it at once, one opens a farm.
    fn claim(&self, typed: &str) -> Option<Claim<'_>> {
        let mut offered = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let code = offered.take_if(|code| plain(code) == plain(typed))?;
        Some(Claim { setup: self, code: Some(code) })
    }
}

fn open_already() -> Problem {
    let detail = "The farm is open already. Sign in with the name and the passphrase that you chose.";
    Refusal::new(RefusalKind::Closed, detail).into()
}

impl App {
    /// Offers to open a farm at `/setup` with the code that is returned. It lasts until a farm is open or the program stops.
    #[must_use]
    pub fn offer_setup(&self) -> String {
        let code = one_time_code();
        self.setup.set(Some(code.clone()));
        code
    }

    pub(crate) fn is_setup_offered(&self) -> bool {
        self.setup.0.lock().unwrap_or_else(PoisonError::into_inner).is_some()
    }

    /// Opens a farm, once.
    pub(crate) async fn open_farm(&self, origin: &Origin, code: &str, farm: &NewFarm) -> Result<(), Problem> {
        // Tries are counted with those to sign in; the space keeps this name apart from anybody's.
        if !self.tries.allow("setup code", origin, false) {
            return Err(Refusal::new(RefusalKind::TooMany, "Too many tries. Wait a minute, then try again.").into());
        }
        if !self.is_setup_offered() {
            return Err(open_already());
        }
        let wrong = || Refusal::field("/code", "That is not the code. Read it again where the program was started.");
        let mut claim = self.setup.claim(code).ok_or_else(wrong)?;
        // Meanwhile one may have been opened at the terminal, or by another program on this database.
        if self.store.has_farm().await? {
            claim.code = None;
            return Err(open_already());
        }
        self.store.open_farm(farm, self.now()).await?;
        claim.code = None;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_claimed_by_one_however_it_is_typed_and_offered_again_until_a_farm_is_open() {
        let setup = Setup::default();
        assert!(setup.claim("").is_none());
        setup.set(Some("K7QM-3XRA".into()));
        assert!(setup.claim("").is_none() && setup.claim("K7QM3XRB").is_none());
        let first = setup.claim(" k7qm 3xra");
        assert!(first.is_some() && setup.claim("K7QM-3XRA").is_none());
        drop(first);
        setup.claim("K7QM-3XRA").unwrap().code = None;
        assert!(setup.claim("K7QM-3XRA").is_none());
    }
}

//! Who may authorise: the person whose own sign-in it is, and nobody by initials.

use gillbook_core::refusal::{Refusal, RefusalKind};

use crate::{Result, Tx};

/// What a request was signed in with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignedWith {
    /// The sign-in of one person, on a phone or computer of their own.
    OwnSignIn,
    /// The sign-in of a phone that several people use.
    SharedPhone,
    /// A token, or the program itself.
    Machine,
}

impl Tx {
    /// The one who authorises something: the signed-in person. Initials on a request say who did a thing; they authorise nothing.
    ///
    /// # Errors
    /// Refuses a shared phone and a machine. `what` is what would be authorised: "Releasing a hold".
    pub(crate) fn authoriser(&self, what: &str) -> Result<&str> {
        match self.actor.with {
            SignedWith::OwnSignIn => Ok(&self.actor.name),
            SignedWith::SharedPhone | SignedWith::Machine => Err(Refusal::new(
                RefusalKind::OwnSignIn,
                format!(
                    "{what} takes your own sign-in; initials on a shared phone do not authorise it. Sign in yourself, on your own phone or after signing out here."
                ),
            )
            .into()),
        }
    }
}

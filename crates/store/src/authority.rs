//! Who may authorise something in a transaction.

use crate::{Result, Tx};

impl Tx {
    /// The one who authorises something: the signed-in person.
    ///
    /// # Errors
    /// Refuses a shared phone and a machine. `what` is what would be authorised: "Releasing a hold".
    pub(crate) fn authoriser(&self, what: &str) -> Result<&str> {
        self.actor.with.authorise(what)?;
        Ok(&self.actor.name)
    }
}

//! Dockets and invoices that are sent by e-mail.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    refusal::Refusal,
    text::{Note, Text, is_email_address},
};

/// A document to be sent.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewEmail {
    /// Where to; the customer's own address unless said.
    pub to: Option<Text<0, 254>>,
    /// What is said above the document's own words; may be empty.
    #[serde(default)]
    pub message: Note,
}

/// A document that was sent, or waits to be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Email {
    /// Id.
    pub email: Uuid,
    /// Where to.
    pub to: String,
    /// Its subject.
    pub subject: String,
    /// Its text, to which the document is attached.
    pub body: String,
    /// Who sent it.
    pub entered_by: String,
    /// When they did.
    pub made_at: DateTime<Utc>,
    /// When the mail server took it; nothing while it waits.
    pub sent_at: Option<DateTime<Utc>>,
    /// When it was given up.
    pub given_up_at: Option<DateTime<Utc>>,
    /// What was answered to the last try, where it was not taken.
    pub trouble: String,
}

/// How far an e-mail is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EmailState {
    /// It waits to be sent, or to be tried again.
    Waiting,
    /// The mail server took it.
    Sent,
    /// It was given up.
    GivenUp,
}

impl Email {
    /// How far it is.
    #[must_use]
    pub const fn state(&self) -> EmailState {
        match (self.sent_at, self.given_up_at) {
            (Some(_), _) => EmailState::Sent,
            (None, Some(_)) => EmailState::GivenUp,
            (None, None) => EmailState::Waiting,
        }
    }
}

impl NewEmail {
    /// Where it goes: to the address that is said, or to the customer's.
    ///
    /// # Errors
    /// Refuses what is no address, and a customer who has none where none is said.
    pub fn address(&self, customer_name: &str, customer_email: &str) -> Result<String, Refusal> {
        let said = self.to.as_ref().map(Text::as_str).filter(|to| !to.is_empty());
        let to = said.unwrap_or(customer_email);
        if to.is_empty() {
            let remedy = "Type one here, or enter it with the customer.";
            return Err(Refusal::field("/to", format!("{customer_name} has no e-mail address. {remedy}")));
        }
        if is_email_address(to) {
            return Ok(to.to_owned());
        }
        Err(Refusal::field("/to", format!("“{to}” is not an e-mail address. Type one such as chef@example.org.")))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn address(to: Option<&str>, customers: &str) -> Result<String, String> {
        let new: NewEmail = serde_json::from_value(json!({"to": to})).unwrap();
        new.address("Plum", customers).map_err(|refusal| {
            assert_eq!(refusal.faults[0].pointer, "/to");
            refusal.detail
        })
    }

    #[test]
    fn it_goes_to_the_address_that_is_said_or_to_the_customers() {
        let own = "chef@plum.example";
        assert_eq!(address(None, own).unwrap(), own);
        assert_eq!(address(Some(""), own).unwrap(), own);
        assert_eq!(address(Some("books@plum.example"), own).unwrap(), "books@plum.example");
        assert!(address(None, "").unwrap_err().starts_with("Plum has no e-mail address."));
        // What is wrong in the customer's own entry is told too.
        let wrong = [
            "plum",
            "@plum.example",
            "chef@plum",
            "a b@plum.example",
            "a@b@plum.example",
            "a@plum.example,b@plum.example",
            "a..b@plum.example",
            "a@plum..example",
            "a@plum.",
            "a@[192.0.2.1]",
            "Chef <chef@plum.example>",
            "\"a b\"@plum.example",
            "a@plum.example\u{200b}",
            "a@plum.example/x",
            "a\\b@plum.example",
        ];
        for wrong in wrong {
            assert!(address(Some(wrong), own).unwrap_err().contains("is not an e-mail address"), "{wrong}");
            assert!(address(None, wrong).is_err(), "{wrong}");
        }
    }
}

//! Who does what on a farm: the roles that the rules let through together.

use gillbook_core::kinds::Role::{self, Bookkeeper, Driver, Owner, Picker, Verifier};

use super::Access;

const fn people(roles: &'static [Role]) -> Access {
    Access::Some { roles, reader: false, probe: false }
}

/// Changes what the farm is.
pub(super) const OWNER: Access = people(&[Owner]);
/// Works with stock.
pub(super) const STOCK_STAFF: Access = people(&[Owner, Picker]);
/// Works with stock or drives.
pub(super) const STOCK_AND_DRIVER: Access = people(&[Owner, Picker, Driver]);
/// Deals with what went wrong in a store.
pub(super) const COLD_CHAIN_STAFF: Access = people(&[Owner, Picker, Driver, Verifier]);
/// Sees pages, and signs off as a second person.
pub(super) const ANY_PERSON: Access = people(&[Owner, Picker, Driver, Verifier, Bookkeeper]);
/// Drives.
pub(super) const DRIVER: Access = people(&[Owner, Driver]);
/// Reads what everybody on the farm reads.
pub(super) const ANY_READER: Access =
    Access::Some { roles: &[Owner, Picker, Driver, Verifier, Bookkeeper], reader: true, probe: false };
/// Reads money.
pub(super) const FINANCE: Access = Access::Some { roles: &[Owner, Bookkeeper], reader: true, probe: false };
/// Sees the pages of weeks, prices and money, and writes invoices and payments.
pub(super) const BOOKS: Access = people(&[Owner, Bookkeeper]);
/// Takes money at a customer's door, or books it.
pub(super) const RECEIPTS: Access = people(&[Owner, Driver, Bookkeeper]);
/// Takes goods to the market or reads what came of it.
pub(super) const MARKET: Access = people(&[Owner, Picker, Driver, Bookkeeper]);
/// Reads what people bought at a stall: those who sell there, and who reads money.
pub(super) const STALL_READER: Access =
    Access::Some { roles: &[Owner, Picker, Driver, Bookkeeper], reader: true, probe: false };
/// Signed in, as anything.
pub(super) const AUTHENTICATED: Access =
    Access::Some { roles: &[Owner, Picker, Driver, Verifier, Bookkeeper], reader: true, probe: true };
/// Posts readings.
pub(super) const PROBE: Access = Access::Some { roles: &[Owner], reader: false, probe: true };

//! Documents are set away from the threads that answer requests, a few at once.

use gillbook_core::limits::{MAX_DOCUMENTS, MAX_DOCUMENTS_WAITING};
use gillbook_documents::Error;
use gillbook_store::bounded::BoundedWork;

use crate::problem::Problem;

static SETTING: BoundedWork = BoundedWork::new(MAX_DOCUMENTS, MAX_DOCUMENTS_WAITING);

/// Sets a document.
///
/// # Errors
/// Busy when too many wait; internal when a template of ours is wrong.
pub(crate) async fn set(work: impl FnOnce() -> Result<Vec<u8>, Error> + Send + 'static) -> Result<Vec<u8>, Problem> {
    SETTING.run(work).await?.map_err(|error| {
        tracing::error!(%error, "a document could not be set");
        Problem::broken()
    })
}

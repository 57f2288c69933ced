use crate::{App, problem::Problem};
use axum::Router;
pub(crate) fn router() -> (Router<App>, Vec<(String, String)>) {
    (Router::new(), Vec::new())
}
pub(crate) fn not_allowed() -> String {
    String::new()
}
pub(crate) async fn docket_pdf(
    _: gillbook_store::farm::Farm,
    _: gillbook_store::dockets::Docket,
) -> Result<Vec<u8>, Problem> {
    Ok(Vec::new())
}

//! A farm's raw rows beside the interface's answers, handed to the programs of `tests/outside/audit`, which know the definitions of the
//! figures and nothing of our code.

use std::fmt::Write;

use anyhow::{Context, Result, ensure};
use gillbook_testkit::Farm;
use serde_json::{Map, Value, json};
use sqlx::{AssertSqlSafe, Connection, PgConnection};

use crate::{python, top};

/// Tables that hold no figure, a secret, or what was worked out of other rows and so proves nothing.
const LEFT_OUT: [&str; 9] = [
    "person",
    "sign_in",
    "sign_in_name",
    "token",
    "idempotency",
    "notice",
    "notice_recipient",
    "hourly_figure",
    "dirty_range",
];

/// Every row of a farm, by table, as Postgres itself writes JSON: no decimal or instant passes through our code.
async fn raw_rows(farm: &Farm) -> Result<String> {
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    let tables: Vec<String> = sqlx::query_scalar(
        "select c.relname::text from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'farm_id'
          where c.relkind in ('r', 'p') and not c.relispartition and c.relnamespace = 'public'::regnamespace
            and c.relname <> all ($1) order by 1",
    )
    .bind(LEFT_OUT.map(str::to_owned).to_vec())
    .fetch_all(&mut db)
    .await?;
    let mut json = String::from("{");
    for (n, table) in tables.iter().enumerate() {
        let sql = format!("select coalesce(json_agg(t), '[]')::text from {table} t where farm_id = $1");
        let rows: String = sqlx::query_scalar(AssertSqlSafe(sql)).bind(farm.id.0).fetch_one(&mut db).await?;
        write!(json, "{}\"{table}\":{rows}", if n == 0 { "" } else { "," })?;
    }
    json.push('}');
    db.close().await?;
    Ok(json)
}

/// An answer with the rows of all its pages.
async fn whole_answer(farm: &Farm, path: &str) -> Value {
    let mut answer = farm.get(path).await;
    while let Some(next) = answer["next"].as_str().map(str::to_owned) {
        let sign = if path.contains('?') { '&' } else { '?' };
        let mut page = farm.get(&format!("{path}{sign}after={next}")).await;
        if let (Some(rows), Some(more)) = (answer["rows"].as_array_mut(), page["rows"].as_array_mut()) {
            rows.append(more);
        }
        answer["next"] = page["next"].take();
    }
    answer
}

/// What was compared, and with what.
#[derive(Debug)]
pub struct Audited {
    /// How many figures of each family.
    pub compared: Map<String, Value>,
    input: String,
}

/// Recomputes families of figures from a farm's raw rows and holds the interface's answers against them.
///
/// # Errors
/// Names each figure that differs, with both values and its rows. The input stays in `target/audit`, so that it can be run again.
pub async fn audit(name: &str, farm: &Farm, families: &[&str]) -> Result<Audited> {
    let rows = raw_rows(farm).await?;
    let head = format!(r#""now":"{}","tables":{rows}"#, farm.now().to_rfc3339());
    let asked = python("audit", &format!("{{{},{head}}}", listed(families)))?;
    ensure!(asked.status.success(), "{}", String::from_utf8_lossy(&asked.stderr));
    let mut answers = Map::new();
    for path in String::from_utf8(asked.stdout)?.lines() {
        answers.insert(path.to_owned(), whole_answer(farm, path).await);
    }
    ensure!(!answers.is_empty(), "the programs ask for nothing");
    let input = format!("{{{},{head},\"answers\":{}}}", listed(families), Value::Object(answers));
    let directory = top().join("target/audit");
    std::fs::create_dir_all(&directory)?;
    let file = directory.join(format!("{name}.json"));
    std::fs::write(&file, &input)?;
    let output = python("audit", &input)?;
    let text = String::from_utf8(output.stdout)?;
    ensure!(output.status.success(), "{text}{}\n{}", String::from_utf8_lossy(&output.stderr), file.display());
    let last = text.lines().last().context("the programs say what they compared")?;
    let compared = serde_json::from_str(last).with_context(|| text.clone())?;
    Ok(Audited { compared, input })
}

fn listed(families: &[&str]) -> String {
    format!("\"families\":{}", json!(families))
}

impl Audited {
    /// Whether a family notices that the first figure of a name is another: a digit is put before it.
    ///
    /// # Errors
    /// When there is no such figure.
    pub fn notices(&self, families: &[&str], family: &str, field: &str) -> Result<bool> {
        let at = self.input.find("\"answers\":").context("answers")?;
        let (raw, answers) = self.input.split_at(at);
        let names = [format!("\"{field}\":\""), format!("\"{field}\":")];
        let name = names.iter().find(|name| answers.contains(*name)).with_context(|| format!("there is no {field}"))?;
        // A digit before every such figure, wherever one stands.
        let mut parts = answers.split(name.as_str());
        let mut answers = parts.next().unwrap_or_default().to_owned();
        for part in parts {
            answers.push_str(name);
            answers.push_str(if part.starts_with(|c: char| c.is_ascii_digit()) { "9" } else { "" });
            answers.push_str(part);
        }
        let input = format!("{}{answers}", raw.replacen(&listed(families), &listed(&[family]), 1));
        let output = python("audit", &input)?;
        Ok(!output.status.success() && String::from_utf8(output.stdout)?.contains("rows give"))
    }
}

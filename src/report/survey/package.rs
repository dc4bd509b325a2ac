//! The data folder as a Frictionless data package: `datapackage.json` with size, media type and hash of every file.
//!
//! The standard has fields of its own for all three, and for the columns of tables; a reader needs nothing from a
//! network to understand it.
//!
//! # Sources
//! Frictionless Data Package, Data Resource and Table Schema, version 1 (specs.frictionlessdata.io), from memory:
//! `resources[].name, path, title, mediatype, format, bytes, hash` (`sha256:` before the digits), `profile`, `schema`
//! with `fields[].name, type`, `missingValues`; `contributors[].title, role`.

use std::fmt::Write;

use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};

use crate::error::Error;
use crate::survey::description::{Person, Survey};
use crate::survey::names::Names;

/// The name of the description in the data folder.
pub const PACKAGE: &str = "datapackage.json";

/// A file for the data folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DataFile {
    /// The path within the folder, with `/` between folders.
    pub path: String,
    /// What it holds.
    pub title: String,
    /// The file itself.
    pub bytes: Vec<u8>,
}

/// What the description says of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    path: String,
    title: String,
    bytes: usize,
    sha256: String,
    /// The columns of a table with their types.
    fields: Option<Vec<(String, &'static str)>>,
}

impl DataFile {
    /// A file with its path within the folder and what it holds.
    pub fn new(path: impl Into<String>, title: impl Into<String>, bytes: impl Into<Vec<u8>>) -> Self {
        Self { path: path.into(), title: title.into(), bytes: bytes.into() }
    }

    /// What the description will say of it.
    pub fn entry(&self) -> Entry {
        let mut sha256 = String::new();
        for byte in Sha256::digest(&self.bytes) {
            let _ = write!(sha256, "{byte:02x}");
        }
        Entry {
            path: self.path.clone(),
            title: self.title.clone(),
            bytes: self.bytes.len(),
            sha256,
            fields: self.path.ends_with(".csv").then(|| fields(&self.bytes)),
        }
    }
}

impl Entry {
    /// The path within the folder.
    pub fn path(&self) -> &str {
        &self.path
    }
}

/// The columns of a table: numbers where every cell that is not empty is one, else texts.
fn fields(bytes: &[u8]) -> Vec<(String, &'static str)> {
    let mut rows = csv::ReaderBuilder::new().flexible(true).from_reader(bytes);
    let Ok(names) = rows.headers().cloned() else { return Vec::new() };
    let mut types: Vec<Option<bool>> = vec![None; names.len()];
    for row in rows.records().filter_map(Result::ok) {
        for (is_number, cell) in types.iter_mut().zip(&row).filter(|(_, cell)| !cell.is_empty()) {
            let number = cell.parse::<f64>().is_ok_and(f64::is_finite);
            *is_number = Some(is_number.unwrap_or(true) && number);
        }
    }
    let word = |is_number: Option<bool>| if is_number == Some(true) { "number" } else { "string" };
    names.iter().zip(types).map(|(name, is_number)| (name.to_owned(), word(is_number))).collect()
}

/// The media type and the format of a file by its ending.
fn kind(path: &str) -> (&'static str, &str) {
    let ending = path.rsplit_once('.').map_or("", |(_, ending)| ending);
    let media = match ending.to_ascii_lowercase().as_str() {
        "csv" => "text/csv",
        "json" => "application/json",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "html" => "text/html",
        "toml" => "application/toml",
        "jpg" | "jpeg" => "image/jpeg",
        "webp" => "image/webp",
        _ => "application/octet-stream",
    };
    (media, ending)
}

/// What the description says of the whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct About {
    /// What the data are about.
    pub title: String,
    /// The day, as `2026-11-25`.
    pub date: Option<String>,
    /// Names with what they did.
    pub contributors: Vec<(String, String)>,
}

impl About {
    /// A survey, its names hidden where they are to be.
    pub fn survey(survey: &Survey, names: &Names) -> Self {
        let contributor = |person: &Person| (names.replaced(&person.name), names.replaced(&person.role));
        Self {
            title: names.replaced(&survey.title),
            date: survey.date.clone(),
            contributors: survey.people.iter().map(contributor).collect(),
        }
    }
}

/// The description of the folder; the same entries give the same bytes, whatever order they come in.
///
/// # Errors
/// None for the types of this crate.
pub fn package(about: &About, entries: &[Entry]) -> Result<Vec<u8>, Error> {
    let mut entries: Vec<&Entry> = entries.iter().collect();
    entries.sort_by(|a, b| a.path.cmp(&b.path));
    let contributor = |(name, role): &(String, String)| json!({ "title": name, "role": role });
    let mut package = json!({
        "profile": "data-package",
        "name": "survey",
        "title": about.title,
        "generator": concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")),
        "resources": entries.into_iter().map(resource).collect::<Vec<_>>(),
    });
    if let Value::Object(package) = &mut package {
        if let Some(date) = &about.date {
            package.insert("created".into(), format!("{date}T00:00:00Z").into());
        }
        if !about.contributors.is_empty() {
            package.insert("contributors".into(), about.contributors.iter().map(contributor).collect());
        }
    }
    let mut text = serde_json::to_string_pretty(&package)
        .map_err(|e| Error::output(format!("the description of the data cannot be put into JSON: {e}")))?;
    text.push('\n');
    Ok(text.into_bytes())
}

fn resource(entry: &Entry) -> Value {
    let (media, format) = kind(&entry.path);
    // Names are small letters, digits and `-_.`, and unique, as paths are.
    let small = |c: char| if c.is_ascii_alphanumeric() || "-_.".contains(c) { c.to_ascii_lowercase() } else { '-' };
    let mut resource = Map::new();
    resource.insert("name".into(), entry.path.chars().map(small).collect::<String>().into());
    resource.insert("path".into(), entry.path.clone().into());
    resource.insert("title".into(), entry.title.clone().into());
    resource.insert("format".into(), format.into());
    resource.insert("mediatype".into(), media.into());
    resource.insert("bytes".into(), entry.bytes.into());
    resource.insert("hash".into(), format!("sha256:{}", entry.sha256).into());
    if let Some(fields) = &entry.fields {
        resource.insert("profile".into(), "tabular-data-resource".into());
        resource.insert("encoding".into(), "utf-8".into());
        let fields: Vec<Value> = fields.iter().map(|(name, kind)| json!({ "name": name, "type": kind })).collect();
        resource.insert("schema".into(), json!({ "fields": fields, "missingValues": [""] }));
    }
    Value::Object(resource)
}

/// The paths that a description of this program names; `None` where the text is none of its descriptions.
pub fn paths_of_package(text: &[u8]) -> Option<Vec<String>> {
    let value: Value = serde_json::from_slice(text).ok()?;
    value.get("generator")?.as_str()?.starts_with(env!("CARGO_PKG_NAME")).then_some(())?;
    let resources = value.get("resources")?.as_array()?;
    let path = |resource: &Value| Some(resource.get("path")?.as_str()?.to_owned());
    Some(resources.iter().filter_map(path).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_stands_with_size_type_and_hash() {
        let about = About { title: "Hum".into(), date: Some("2026-11-25".into()), contributors: Vec::new() };
        let file = DataFile::new("lamp/added.csv", "What it adds", "role,low_hz,rms\nwire,2000,\nair,2000,1.5e-3\n");
        let text = package(&about, &[file.entry()]).unwrap();
        let value: Value = serde_json::from_slice(&text).unwrap();
        let resource = &value["resources"][0];
        // 16, 11 and 16 characters a line.
        assert_eq!(resource["bytes"], 43);
        assert_eq!(resource["mediatype"], "text/csv");
        assert_eq!(resource["hash"].as_str().unwrap().len(), "sha256:".len() + 64);
        assert_eq!(resource["schema"]["fields"][0], json!({ "name": "role", "type": "string" }));
        assert_eq!(resource["schema"]["fields"][2], json!({ "name": "rms", "type": "number" }));
        assert_eq!(value["created"], "2026-11-25T00:00:00Z");
        assert_eq!(paths_of_package(&text), Some(vec!["lamp/added.csv".to_owned()]));
        assert_eq!(paths_of_package(b"{\"resources\":[]}"), None);
    }

    #[test]
    fn the_hash_is_sha_256() {
        // FIPS 180-4's example "abc", as NIST publishes it.
        let entry = DataFile::new("a.txt", "", "abc").entry();
        assert_eq!(entry.sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}

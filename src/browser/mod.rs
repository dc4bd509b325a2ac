//! The page that needs nothing installed: the command line for WebAssembly with what a browser needs around it, one file.
//!
//! What computes is the command line itself (`wasm32-wasip1`), in a worker that gives it a folder of the files dropped.
//! `worker.js` states the boundary, `system.js` answers for a system, `boundary.js` is the page's side; `shell.*` is what
//! a person sees. Nothing is computed in scripts.

use sha2::{Digest, Sha256};

use crate::report::plain::base64;

const SHELL: &str = include_str!("shell.html");
const STYLE: &str = include_str!("shell.css");
/// The worker's text: the system, then the boundary.
const WORKER: [&str; 2] = [include_str!("system.js"), include_str!("worker.js")];
const SCRIPTS: [&str; 2] = [include_str!("boundary.js"), include_str!("shell.js")];

/// The whole page with a module, which is the command line for `wasm32-wasip1` packed by gzip.
///
/// The page asks nothing of anyone: its policy lets it run its own scripts, named by their hashes, a worker made of a
/// text that it holds, and WebAssembly; whatever is requested is refused.
///
/// # Sources
/// W3C Content Security Policy Level 3: hash-source, worker-src; `'wasm-unsafe-eval'` of the same (from memory).
pub fn page(module: &[u8]) -> String {
    let mut scripts = format!(
        "<script type=\"text/plain\" id=\"worker\">{}</script>\n\
         <script type=\"application/octet-stream\" id=\"module\">{}</script>\n",
        WORKER.concat(),
        base64(module)
    );
    for script in SCRIPTS {
        scripts.push_str(&format!("<script>{script}</script>\n"));
    }
    let policy = format!("<meta http-equiv=\"Content-Security-Policy\" content=\"{}\">", policy());
    SHELL
        .replace("<!--policy-->", &policy)
        .replace("<!--style-->", &format!("<style>{STYLE}</style>"))
        .replace("<!--scripts-->", &scripts)
}

fn policy() -> String {
    let hash = |text: &str| format!("'sha256-{}'", base64(&Sha256::digest(text.as_bytes())));
    format!(
        "default-src 'none'; script-src {} 'wasm-unsafe-eval'; worker-src blob:; style-src {}; img-src data: blob:; \
         base-uri 'none'; form-action 'none'",
        SCRIPTS.map(hash).join(" "),
        hash(STYLE)
    )
}

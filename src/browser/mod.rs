//! The page that needs nothing installed: the command line for WebAssembly with what a browser needs around it, one file.
//!
//! What computes is the command line itself (`wasm32-wasip1`), in a worker that gives it a folder of the files dropped.
//! `worker.js` states the boundary, `system.js` answers for a system, `unpack.js` unpacks, `shell.*` is what a person sees. Views are the pages
//! that the command line writes, drawn by the scripts of `report::page`. Nothing is computed in scripts.

use sha2::{Digest, Sha256};

use crate::report::plain::base64;

const SHELL: &str = include_str!("shell.html");
/// The style of the views, then our own; each is an element, so that a view's own style is known by its hash.
const STYLES: [&str; 2] = [include_str!("../report/page/page.css"), include_str!("shell.css")];
/// The worker's text: what unpacks the module, the system, then the boundary.
const WORKER: [&str; 3] = [include_str!("unpack.js"), include_str!("system.js"), include_str!("worker.js")];
/// The plotting library and the script of the views, then our own.
const SCRIPTS: [&str; 3] = [
    include_str!("../report/page/vendor/uPlot.iife.min.js"),
    include_str!("../report/page/page.js"),
    include_str!("shell.js"),
];

/// The whole page with a module, which is the command line for `wasm32-wasip1` packed by LZMA.
///
/// The page asks nothing of anyone: its policy lets it run its own scripts, named by their hashes, a worker made of a
/// text that it holds, and WebAssembly; whatever is requested is refused.
///
/// # Sources
/// W3C Content Security Policy Level 3: hash-source, worker-src; `'wasm-unsafe-eval'` of the same (from memory).
pub fn page(module: &[u8]) -> String {
    let element = |name: &str, text: &str| format!("<{name}>{text}</{name}>\n");
    let data = format!(
        "<script type=\"text/plain\" id=\"worker\">{}</script>\n\
         <script type=\"application/octet-stream\" id=\"module\">{}</script>\n",
        WORKER.join("\n"),
        base64(module)
    );
    let scripts = data + &SCRIPTS.map(|script| element("script", script)).concat();
    let policy = format!("<meta http-equiv=\"Content-Security-Policy\" content=\"{}\">", policy());
    SHELL
        .replace("<!--policy-->", &policy)
        .replace("<!--style-->", &STYLES.map(|style| element("style", style)).concat())
        .replace("<!--scripts-->", &scripts)
}

fn policy() -> String {
    let hash = |text: &str| format!("'sha256-{}'", base64(&Sha256::digest(text.as_bytes())));
    format!(
        "default-src 'none'; script-src {} 'wasm-unsafe-eval'; worker-src blob:; style-src {}; img-src data: blob:; \
         base-uri 'none'; form-action 'none'",
        SCRIPTS.map(hash).join(" "),
        STYLES.map(hash).join(" ")
    )
}

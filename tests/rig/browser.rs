//! Pages in a real browser: what they write to its console, what they ask for, and what a script finds in them.

use std::path::Path;
use std::process::Command;

use super::need;

/// What a page did.
#[derive(Debug)]
pub struct Seen {
    /// The document when everything had run.
    pub dom: String,
    /// Lines of the console.
    pub console: Vec<String>,
    /// Addresses that the page asked the network for.
    pub requests: Vec<String>,
}

/// Opens a page in Chromium without a window; `arguments` go before the address.
pub fn open(page: &Path, arguments: &[&str]) -> Seen {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("net.json");
    let output = Command::new("timeout")
        .arg("120")
        .arg(need("chromium", "chromium"))
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
        ])
        .args([
            "--no-first-run",
            "--disable-sync",
            "--disable-component-update",
        ])
        .args(["--disable-background-networking", "--enable-logging=stderr"])
        // Whatever asks, no name is found: the browser's own calls home end here too.
        .arg("--host-resolver-rules=MAP * ~NOTFOUND")
        .arg(format!(
            "--user-data-dir={}",
            folder.path().join("user").display()
        ))
        .arg(format!("--log-net-log={}", log.display()))
        .args(arguments)
        .arg("--dump-dom")
        .arg(format!("file://{}", page.display()))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let console = said.lines().filter(|line| line.contains(":CONSOLE"));
    Seen {
        dom: String::from_utf8(output.stdout).unwrap(),
        console: console.map(str::to_owned).collect(),
        requests: requests(&log),
    }
}

/// Addresses in a log of the browser's network that a page asked for: what the browser asks for itself has no origin.
fn requests(log: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(log).unwrap();
    let log: serde_json::Value = serde_json::from_str(&text).unwrap();
    let events = log["events"].as_array().unwrap();
    assert!(!events.is_empty(), "the network's log is empty");
    events
        .iter()
        .map(|event| &event["params"])
        .filter(|params| {
            params["initiator"]
                .as_str()
                .is_some_and(|by| by != "not an origin")
        })
        .filter_map(|params| Some(params["url"].as_str()?.to_owned()))
        .collect()
}

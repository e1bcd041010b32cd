//! The house rules that a compiler does not know, as tests over the text of the repository.
//!
//! Promises: each rule is a pure function from files to complaints, and each has a test that feeds it a bad sample, so
//! that a rule which can no longer fail is itself a failure. Complaints name the file and the line.
//! Never changes a file, and never reads one outside the repository.

mod code;
mod crates;
mod documents;
mod schemas;
mod sources;
mod threats;

use std::path::{Path, PathBuf};

/// One text file of the repository.
#[derive(Debug, Clone)]
pub struct Source {
    /// Path from the root, with forward slashes.
    pub path: String,
    /// What it says.
    pub text: String,
}

impl Source {
    fn new(path: &str, text: &str) -> Self {
        Self { path: path.to_owned(), text: text.to_owned() }
    }

    fn is_rust(&self) -> bool {
        self.path.ends_with(".rs")
    }
}

/// The folder of the whole repository.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the package lies in the root").to_path_buf()
}

/// Folders (in a second worktree also a file) that hold nothing of ours.
const NOT_OURS: [&str; 6] = ["target", ".git", ".venv", "node_modules", "__pycache__", "artifacts"];

/// Every text file of the repository, in order of path.
fn repository() -> Vec<Source> {
    let root = root();
    let mut folders = vec![root.clone()];
    let mut files = Vec::new();
    while let Some(folder) = folders.pop() {
        for item in std::fs::read_dir(&folder).expect("a readable folder") {
            let path = item.expect("a readable folder").path();
            let name = path.file_name().expect("a name").to_string_lossy().into_owned();
            if NOT_OURS.contains(&name.as_str()) {
                continue;
            }
            if path.is_dir() {
                folders.push(path);
            } else if let Ok(text) = std::fs::read_to_string(&path) {
                let inside = path.strip_prefix(&root).expect("below the root");
                files.push(Source { path: inside.to_string_lossy().replace('\\', "/"), text });
            }
        }
    }
    files.sort_by(|a, b| a.path.cmp(&b.path));
    assert!(files.iter().any(|file| file.path == "core/src/entry.rs"), "the repository was not found");
    files
}

/// Fails with every complaint on a line of its own.
fn assert_none(complaints: &[String]) {
    assert!(complaints.is_empty(), "{} complaints:\n{}", complaints.len(), complaints.join("\n"));
}

/// Asserts that a rule complains about each bad sample, naming its file.
fn assert_each_bad(rule: impl Fn(&[Source]) -> Vec<String>, samples: &[(&str, &str)]) {
    for (path, text) in samples {
        let complaints = rule(&[Source::new(path, text)]);
        assert!(complaints.iter().any(|c| c.contains(path)), "the rule lets this pass in {path}:\n{text}");
    }
}

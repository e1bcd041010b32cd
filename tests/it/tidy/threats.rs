//! The page of threats names a test for each row, and each is there.
//!
//! Promises: a named test is a function of the named file that the test runner runs: it carries a test's attribute, or a
//! list of cases names it, in that file or in the `main.rs` beside it. A row without a test is a complaint.
//! Never whether the test tests what the row says.

use super::{Source, assert_each_bad, assert_none, repository};

const PAGE: &str = "docs/THREATS.md";

fn untested(files: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for page in files.iter().filter(|file| file.path == PAGE) {
        let rows = page.text.lines().enumerate().filter(|(_, line)| line.starts_with("| ") && line.ends_with(" |"));
        for (index, row) in rows.filter(|(_, row)| !row.ends_with("| test |")) {
            let cell = row.trim_end_matches(" |").rsplit("| ").next().unwrap_or_default();
            let mut file: Option<&Source> = None;
            let mut named = 0;
            for word in cell.split('`').skip(1).step_by(2) {
                if word.contains('/') {
                    file = files.iter().find(|file| file.path == word);
                } else if file.is_some_and(|file| is_run(files, file, word)) {
                    named += 1;
                } else {
                    complaints.push(format!("{PAGE}:{}: there is no test `{word}` there", index + 1));
                }
            }
            if named == 0 {
                complaints.push(format!("{PAGE}:{}: names no test", index + 1));
            }
        }
    }
    complaints
}

/// Whether the function is one that the test runner runs.
fn is_run(files: &[Source], file: &Source, name: &str) -> bool {
    let lines: Vec<&str> = file.text.lines().map(str::trim).collect();
    let begins = |line: &&str| line.contains(&format!("fn {name}("));
    let Some(at) = lines.iter().position(begins) else { return false };
    let attributes = lines[..at].iter().rev().take_while(|line| line.starts_with('#') || line.starts_with("//"));
    if attributes.clone().any(|line| line.starts_with("#[") && line.contains("test")) {
        return true;
    }
    // In a list of cases it stands alone on its line, or is called by a test of that name.
    let beside = file.path.rsplit_once('/').map(|(folder, _)| format!("{folder}/main.rs"));
    let lists = files.iter().filter(|other| other.path == file.path || Some(&other.path) == beside.as_ref());
    let named = |line: &str| line.trim().trim_end_matches([',', ';']) == name;
    lists.flat_map(|other| other.text.lines()).any(named)
        || lines.iter().skip(at + 1).any(|line| line.contains(&format!("super::{name}(")))
}

#[test]
fn each_threat_has_a_test() {
    let files = repository();
    assert!(files.iter().any(|file| file.path == PAGE), "{PAGE} is missing");
    assert_none(&untested(&files));
}

#[test]
fn the_rule_about_threats_can_fail() {
    let row = |cell: &str| format!("| what is tried | answer | test |\n|---|---|---|\n| x | 401 | {cell} |\n");
    for cell in ["", "none", "`core/x.rs`", "`core/x.rs` `gone`", "`core/gone.rs` `here`", "`here`"] {
        assert_each_bad(untested, &[(PAGE, &row(cell))]);
    }
    let with = |text: &str| vec![Source::new(PAGE, &row("`core/x.rs` `here`")), Source::new("core/x.rs", text)];
    for run in [
        "#[test]\nfn here() {}",
        "/// Why.\n#[tokio::test]\nasync fn here() {}",
        "async fn here(world: World) {}\ncases! {\n    here\n}",
    ] {
        assert_eq!(untested(&with(run)), Vec::<String>::new(), "{run}");
    }
    for not_run in ["fn here() {}", "#[test]\nfn other() {}\nfn here() {}", "// here\n#[test]\nfn there() {}"] {
        assert_eq!(untested(&with(not_run)).len(), 2, "{not_run}");
    }
}

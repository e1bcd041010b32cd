//! The reference page, completions and manual are made from the words the program parses.
//!
//! `docs/CLI.md` is committed; where it differs this test says how to write it anew.

use crate::stage::Stage;
use pintle::args::{exit_codes, whole};
use pintle::problem::Code;
use std::fmt::Write as _;
use std::path::PathBuf;

/// Width for which the page is written: it is read on larger screens too.
const PAGE_COLUMNS: usize = 80;

fn page() -> String {
    let mut page = String::from(
        "# The commands of `pintle`\n\nMade from the program itself; a test keeps the two alike.\n\n## Exit codes\n\n| code | meaning |\n|---|---|\n",
    );
    for line in exit_codes() {
        let (code, meaning) = line.split_once(' ').expect("a code and its meaning");
        let _ = writeln!(page, "| {code} | {meaning} |");
    }
    page.push_str("\n## Problems\n\nWith `--json` a problem is one line on standard error: `{\"problem\": {\"code\", \"sentence\", \"hint\", \"detail\", \"exit\"}}`.\n\n| code | exit | meaning |\n|---|---|---|\n");
    for code in Code::ALL {
        let _ = writeln!(page, "| `{}` | {} | {} |", code.as_str(), code.exit().code(), code.meaning());
    }
    page.push_str("\n## Environment\n\n");
    page.push_str(
        "| variable | meaning |\n|---|---|\n\
         | `PINTLE_HOME` | where the log is kept, if not among your data |\n\
         | `PINTLE_CA_FILE` | PEM file with the root of your own that the server's certificate must come from; a public root is then no longer taken |\n\
         | `NO_COLOR`, `CLICOLOR`, `CLICOLOR_FORCE`, `TERM=dumb` | whether colours are used |\n\
         | `COLUMNS` | width of the screen, where it cannot be asked |\n\
         | `USER` | name of the first person of a new device |\n\
         | `PINTLE_CLOCK`, `PINTLE_BOOT` | for tests and demonstrations only: the clocks of the device, `2026-05-04T07:12:33+02:00` and `BOOT:SECONDS` |\n",
    );
    let mut command = whole().term_width(PAGE_COLUMNS);
    command.build();
    section(&mut page, &mut command, 2);
    page
}

fn section(page: &mut String, command: &mut clap::Command, depth: usize) {
    let name = command.get_bin_name().unwrap_or("pintle").to_owned();
    let help = command.render_help().to_string();
    let _ = write!(page, "\n{} `{name}`\n\n```text\n{}\n```\n", "#".repeat(depth), help.trim_end());
    for part in command.get_subcommands_mut() {
        section(page, part, 3);
    }
}

#[test]
#[allow(clippy::disallowed_methods, reason = "whether to write or to compare is a setting of the test run")]
fn the_reference_page_is_the_programs_own() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../docs/CLI.md");
    let page = page();
    if std::env::var_os("PINTLE_UPDATE").is_some() {
        std::fs::write(&path, &page).expect("writes docs/CLI.md");
    }
    let committed = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        committed == page,
        "docs/CLI.md is not the program's own; PINTLE_UPDATE=1 cargo test -p pintle writes it anew"
    );
}

#[test]
fn every_shell_gets_a_script() {
    let stage = Stage::new("Ines", 7);
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = stage.must(&format!("completions {shell}"));
        assert!(script.contains("grease") && script.contains("clashes"), "{shell}");
    }
}

#[test]
fn the_manual_is_written_page_by_page() {
    let stage = Stage::new("Ines", 7);
    let page = stage.must("man");
    assert!(page.contains(".TH pintle 1") && page.contains("EXIT STATUS") && page.contains("75 no signal"), "{page}");
    let folder = stage.folder().join("man");
    stage.must(&format!("man {}", folder.display()));
    let pages = std::fs::read_dir(&folder).expect("a folder").count();
    assert_eq!(pages, 1 + whole().get_subcommands().count());
    let grease = std::fs::read_to_string(folder.join("pintle-grease.1")).expect("a page");
    assert!(grease.contains("pintle") && grease.contains("bucket pin"), "{grease}");
}

#[test]
fn help_fits_a_phone() {
    let stage = Stage::new("Ines", 7);
    let help = stage.must("--help");
    let widest = help.lines().map(str::len).max().unwrap_or(0);
    assert!(widest <= 40, "{widest} columns: {help}");
}

//! The typesetter, and all that it may know.
//!
//! Promises: a layout sees two files, `data.json` and the shared `frame.typ`, and its own text; no other file, package,
//! font or date is there for it. The data are JSON, every text of them as [`glyphs::shown`] shows it. More pages than
//! [`PAGES_MAX`] are an answer, not a document. What the typesetter remembers between documents is thrown away.
//!
//! Never blocks on anything but its own reckoning; how long that may take is for the caller to say.

use crate::fonts::FONTS;
use crate::glyphs;
use pintle_core::bill::calendar::Day;
use serde_json::Value;
use std::sync::LazyLock;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};

/// Most pages of one document: far more than the months of any customer, and still a file that can be opened.
pub const PAGES_MAX: usize = 1_500;

/// What a document is printed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// ISO 216 A4.
    A4,
    /// US Letter.
    Letter,
}

/// What a layout calls it.
pub(crate) fn paper_name(paper: Paper) -> &'static str {
    match paper {
        Paper::A4 => "a4",
        Paper::Letter => "us-letter",
    }
}

/// Why there is no document.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PrintError {
    /// It would be too long.
    #[error("the document has {pages} pages, and {PAGES_MAX} are the most")]
    TooManyPages {
        /// So many it would have.
        pages: usize,
    },
    /// A mistake in a layout or in this crate.
    #[error("cannot lay out the document: {0}")]
    Layout(String),
    /// A mistake in this crate.
    #[error("cannot write the document as PDF: {0}")]
    Pdf(String),
}

/// A file that the document holds.
pub(crate) struct Attached {
    /// Its name, for `pdf.attach` in the layout.
    pub name: &'static str,
    /// What is in it.
    pub data: Vec<u8>,
}

/// What is to be printed.
pub(crate) struct Job {
    /// The text of the layout.
    pub layout: &'static str,
    /// What it shows.
    pub data: Value,
    /// What goes with it.
    pub attached: Option<Attached>,
    /// The day the file says it is of.
    pub dated: Day,
    /// What names this document and no other.
    pub identity: String,
}

/// What every layout has in common.
const FRAME: &str = include_str!("frame.typ");

static LIBRARY: LazyLock<LazyHash<Library>> = LazyLock::new(|| LazyHash::new(<Library as LibraryExt>::default()));

struct Desk {
    main: Source,
    frame: Source,
    data: (FileId, Bytes),
    attached: Option<(FileId, Bytes)>,
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        &LIBRARY
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &FONTS.book
    }

    fn main(&self) -> FileId {
        self.main.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        let found = [&self.main, &self.frame].into_iter().find(|source| source.id() == id);
        found.cloned().ok_or_else(|| absent(id))
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        let found = [Some(&self.data), self.attached.as_ref()].into_iter().flatten().find(|(file, _)| *file == id);
        found.map(|(_, bytes)| bytes.clone()).ok_or_else(|| absent(id))
    }

    fn font(&self, index: usize) -> Option<Font> {
        FONTS.all.get(index).cloned()
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}

fn absent(id: FileId) -> FileError {
    FileError::NotFound(id.get().vpath().get_with_slash().into())
}

/// The name of a file that a layout may see. The typesetter keeps each such name for ever, so they are few and ours.
fn file(name: &'static str) -> Result<FileId, PrintError> {
    let path = VirtualPath::new(name).map_err(|error| PrintError::Layout(format!("{name}: {error:?}")))?;
    Ok(RootedPath::new(VirtualRoot::Project, path).intern())
}

/// Lays a document out and writes it.
///
/// # Errors
/// [`PrintError`].
pub(crate) fn print(job: Job) -> Result<Vec<u8>, PrintError> {
    let (dated, identity) = (job.dated, job.identity.clone());
    let written = lay_out(job).and_then(|document| write(&document, dated, identity));
    // Nothing of one bill is of use for the next, and the memory would never be given back.
    typst::comemo::evict(0);
    written
}

fn lay_out(job: Job) -> Result<PagedDocument, PrintError> {
    let mut data = job.data;
    show(&mut data);
    let data = serde_json::to_vec(&data).map_err(|error| PrintError::Layout(error.to_string()))?;
    let desk = Desk {
        main: Source::new(file("/main.typ")?, job.layout.to_owned()),
        frame: Source::new(file("/frame.typ")?, FRAME.to_owned()),
        data: (file("/data.json")?, Bytes::new(data)),
        attached: match job.attached {
            Some(attached) => Some((file(attached.name)?, Bytes::new(attached.data))),
            None => None,
        },
    };
    typst::compile::<PagedDocument>(&desk).output.map_err(|errors| PrintError::Layout(said(&errors)))
}

fn write(document: &PagedDocument, dated: Day, identity: String) -> Result<Vec<u8>, PrintError> {
    let pages = document.pages().len();
    if pages > PAGES_MAX {
        return Err(PrintError::TooManyPages { pages });
    }
    let standards = PdfStandards::new(&[PdfStandard::A_3b]).map_err(|error| PrintError::Pdf(format!("{error:?}")))?;
    let options = PdfOptions {
        ident: Smart::Custom(identity),
        creator: Smart::Custom(Some("Pintle".to_owned())),
        timestamp: midnight(dated).map(Timestamp::new_utc),
        standards,
        ..PdfOptions::default()
    };
    typst_pdf::pdf(document, &options).map_err(|errors| PrintError::Pdf(said(&errors)))
}

fn midnight(day: Day) -> Option<Datetime> {
    let text = day.to_string();
    let mut parts = text.split('-');
    let year = parts.next()?.parse().ok()?;
    let (month, day) = (parts.next()?.parse().ok()?, parts.next()?.parse().ok()?);
    Datetime::from_ymd_hms(year, month, day, 0, 0, 0)
}

fn said(errors: &[SourceDiagnostic]) -> String {
    errors.iter().map(|error| error.message.as_str()).collect::<Vec<_>>().join("; ")
}

/// Every text as it can be shown.
fn show(data: &mut Value) {
    match data {
        Value::String(text) => *text = glyphs::shown(text),
        Value::Array(items) => items.iter_mut().for_each(show),
        Value::Object(fields) => fields.values_mut().for_each(show),
        _ => {}
    }
}

/// What came out of a layout, for tests: what stands on each page, and what has no glyph there.
#[cfg(test)]
pub(crate) mod proof {
    use super::*;
    use typst::layout::{Frame, FrameItem};

    /// The pages of a layout.
    #[derive(Debug, Default)]
    pub(crate) struct Pages {
        /// Text of each page, one piece after the other as they were set.
        pub texts: Vec<String>,
        /// Pieces of text in which some character has no glyph.
        pub lacking: Vec<String>,
        /// Pieces of text that stand, in part, outside of the page.
        pub outside: Vec<String>,
    }

    /// Lays out without writing.
    pub(crate) fn pages(job: Job) -> Pages {
        let document = lay_out(job).expect("a layout");
        let mut pages = Pages::default();
        for page in document.pages() {
            pages.texts.push(String::new());
            let width = page.frame.width().to_pt();
            walk(&page.frame, 0.0, width, &mut pages);
        }
        pages
    }

    fn walk(frame: &Frame, left: f64, width: f64, pages: &mut Pages) {
        for (at, item) in frame.items() {
            let x = left + at.x.to_pt();
            match item {
                // What is turned is the mark of a draft, and stands where it may.
                FrameItem::Group(group) if group.transform.is_identity() => walk(&group.frame, x, width, pages),
                FrameItem::Group(group) => walk(&group.frame, width / 2.0, f64::INFINITY, pages),
                FrameItem::Text(text) => {
                    if let Some(page) = pages.texts.last_mut() {
                        page.push_str(&text.text);
                        page.push(' ');
                    }
                    if text.glyphs.iter().any(|glyph| glyph.id == 0) {
                        pages.lacking.push(text.text.to_string());
                    }
                    if x < 0.0 || x + text.width().to_pt() > width {
                        pages.outside.push(text.text.to_string());
                    }
                }
                _ => {}
            }
        }
    }
}

//! What is wrong with a pipeline file, and how it is reported.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

use annotate_snippets::{AnnotationKind, Level, Origin, Renderer, Snippet};
use serde_json::Value;

use crate::cloud::address::{masked, without_secrets};
use crate::pipeline::explain::closest;
use crate::pipeline::locate::{self, Aim, Seg};
use crate::pipeline::schema::keys;

/// After so many problems the check ends: nobody mends more at once.
pub(crate) const MOST: usize = 50;

/// One thing that is wrong, with its place and its remedy.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The keys that lead to it; empty where the whole file is meant.
    pub path: Vec<Seg>,
    /// The offending bytes of the text; none where there is no text to show (a file that cannot be read).
    pub span: Option<Range<usize>>,
    /// What is wrong.
    pub message: String,
    /// What was expected at the place.
    pub label: String,
    /// What to do.
    pub help: Option<String>,
}

/// All that is wrong with a pipeline file.
#[derive(Clone, Debug, thiserror::Error)]
pub struct PipelineError {
    /// The file, as it was named on the command line.
    pub path: PathBuf,
    /// Its text.
    pub text: String,
    /// The problems, in the order of their places; never none.
    pub problems: Vec<Problem>,
}

impl PipelineError {
    /// A file that cannot be read at all.
    pub(crate) fn unreadable(path: &Path, message: String, help: Option<String>) -> Self {
        let problem = Problem { path: Vec::new(), span: None, message, label: String::new(), help };
        PipelineError { path: path.to_path_buf(), text: String::new(), problems: vec![problem] }
    }

    /// Line and column of a problem, both from 1, columns in characters.
    pub fn line_and_column(&self, problem: &Problem) -> Option<(usize, usize)> {
        let before = &self.text[..problem.span.as_ref()?.start];
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        Some((before.matches('\n').count() + 1, before[line_start..].chars().count() + 1))
    }

    /// Every problem with its place: file, line and column, the line itself with the spot marked, what was expected
    /// and what to do.
    pub fn render(&self, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let path = self.path.display().to_string();
        let mut shown: Vec<String> = self.problems.iter().map(|p| self.draw(p, &path, &renderer)).collect();
        if self.problems.len() >= MOST {
            shown.push(format!("there may be more problems: the check stops after {MOST}"));
        }
        shown.join("\n\n") + "\n"
    }

    fn draw(&self, problem: &Problem, path: &str, renderer: &Renderer) -> String {
        let group = Level::ERROR.primary_title(problem.message.as_str());
        let group = match &problem.span {
            Some(span) => {
                let mark = AnnotationKind::Primary.span(span.clone());
                let mark = if problem.label.is_empty() { mark } else { mark.label(problem.label.as_str()) };
                group.element(Snippet::source(self.text.as_str()).path(path).annotation(mark))
            }
            None => group.element(Origin::path(path)),
        };
        let help = problem.help.as_deref().map(|help| Level::HELP.message(help));
        renderer.render(&[group.elements(help)])
    }
}

/// Plain, without colour.
impl fmt::Display for PipelineError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

/// The problems found so far, and the text they are found in.
pub(crate) struct Notes<'a> {
    text: &'a str,
    /// What the text holds, to see which keys are there.
    pub document: Value,
    problems: Vec<Problem>,
    /// Paths whose values are known to be wrong.
    wrong: Vec<Vec<Seg>>,
    /// A topmost key that counts as given: what is still to be measured.
    pub to_come: Option<&'static str>,
}

impl<'a> Notes<'a> {
    pub fn new(text: &'a str) -> Self {
        Notes { text, document: Value::Null, problems: Vec::new(), wrong: Vec::new(), to_come: None }
    }

    pub fn text(&self) -> &'a str {
        self.text
    }

    /// Notes a problem with the value at `path`.
    pub fn value(&mut self, path: &[Seg], message: String, label: String, help: Option<String>) {
        self.at(path, Aim::Value, message, label, help);
    }

    /// Notes a problem with the last key of `path`.
    pub fn key(&mut self, path: &[Seg], message: String, label: String, help: Option<String>) {
        self.at(path, Aim::Key(0), message, label, help);
    }

    pub fn at(&mut self, path: &[Seg], aim: Aim, message: String, label: String, help: Option<String>) {
        if self.enough() {
            return;
        }
        let span = locate::span(self.text, path, aim, find(&self.document, path));
        let span = Some(span);
        if !matches!(aim, Aim::Key(later) if later > 0) {
            self.wrong.push(path.to_vec());
        }
        // What two aliases share is wrong once.
        if !self.problems.iter().any(|known| known.span == span && known.label == label) {
            self.problems.push(Problem { path: path.to_vec(), span, message, label, help });
        }
    }

    /// Notes a problem at a place of the text, for want of a key path.
    pub fn spot(&mut self, span: Range<usize>, message: String, label: String, help: Option<String>) {
        self.problems.push(Problem { path: Vec::new(), span: Some(span), message, label, help });
    }

    /// Whether a problem is known at `path` or below it: what follows from it need not be reported as well.
    pub fn known(&self, path: &[Seg]) -> bool {
        self.wrong.iter().any(|wrong| wrong.starts_with(path))
    }

    /// Whether the file says anything at `path`.
    pub fn given(&self, path: &[Seg]) -> bool {
        find(&self.document, path).is_some()
    }

    /// Whether the file gives the topmost key `key`, or another that was most likely meant to be it.
    pub fn meant(&self, key: &str, schema: &Value) -> bool {
        let known = keys(schema);
        let is_it = |given: &String| {
            given == key || !known.contains(&given.as_str()) && closest(given, &known) == Some(key)
        };
        self.to_come == Some(key)
            || self.known(&[key.into()])
            || self.document.as_object().is_some_and(|map| map.keys().any(is_it))
    }

    pub fn is_empty(&self) -> bool {
        self.problems.is_empty()
    }

    /// Whether there are so many that more would be of no use.
    pub fn enough(&self) -> bool {
        self.problems.len() >= MOST
    }

    /// The problems in the order of their places.
    pub fn into_error(mut self, path: &Path) -> PipelineError {
        self.problems.sort_by_key(|problem| problem.span.clone().map_or(0, |span| span.start));
        let problems = self.problems.into_iter().map(told).collect();
        PipelineError { path: path.to_path_buf(), text: masked(self.text).into_owned(), problems }
    }
}

/// A problem without what may be secret in the addresses that it speaks of.
pub(super) fn told(problem: Problem) -> Problem {
    let clean = |text: String| without_secrets(&text).into_owned();
    Problem {
        message: clean(problem.message),
        label: clean(problem.label),
        help: problem.help.map(clean),
        ..problem
    }
}

/// What is wrong with one name of files: message, label, help.
pub(super) struct Wrong(pub String, pub &'static str, pub Option<String>);

/// The value at `path`, if there is one.
pub(crate) fn find<'v>(document: &'v Value, path: &[Seg]) -> Option<&'v Value> {
    path.iter().try_fold(document, |value, seg| match seg {
        Seg::Key(key) => value.get(key.as_str()),
        Seg::Item(index) => value.get(*index),
    })
}

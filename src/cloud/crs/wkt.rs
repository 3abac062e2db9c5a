//! A reader of the brackets of well-known text (WKT), versions 1 and 2: keywords, their values, nothing else.

/// Deeper nesting than this is junk: real definitions stay under ten.
const MAX_DEPTH: usize = 32;

/// More nodes than this are junk: real definitions stay under a few hundred.
const MAX_NODES: usize = 10_000;

/// One `KEYWORD[value, …]` of the text.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Node {
    /// The keyword in capitals, such as `PROJCS`.
    pub keyword: String,
    /// What stands between the brackets, in order.
    pub values: Vec<Value>,
}

/// One value between the brackets of a node.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    /// Text in quotation marks.
    Text(String),
    /// A number.
    Number(f64),
    /// A bare word, such as `EAST`.
    Word(String),
    /// A node of its own.
    Node(Node),
}

impl Node {
    /// The child nodes, in order.
    pub fn children(&self) -> impl Iterator<Item = &Node> {
        self.values.iter().filter_map(|value| match value {
            Value::Node(node) => Some(node),
            _ => None,
        })
    }

    /// The node as text again, in one line.
    pub fn to_text(&self) -> String {
        let value = |value: &Value| match value {
            Value::Text(text) => format!("\"{}\"", text.replace('"', "\"\"")),
            Value::Number(number) => number.to_string(),
            Value::Word(word) => word.clone(),
            Value::Node(node) => node.to_text(),
        };
        let values: Vec<String> = self.values.iter().map(value).collect();
        format!("{}[{}]", self.keyword, values.join(","))
    }

    /// The first child whose keyword is one of `keywords`.
    pub fn child(&self, keywords: &[&str]) -> Option<&Node> {
        self.children().find(|node| keywords.contains(&node.keyword.as_str()))
    }

    /// The name: the first value where it is text.
    pub fn name(&self) -> Option<&str> {
        match self.values.first() {
            Some(Value::Text(text)) => Some(text),
            _ => None,
        }
    }

    /// The value at `index` where it is a number.
    pub fn number(&self, index: usize) -> Option<f64> {
        match self.values.get(index) {
            Some(Value::Number(number)) => Some(*number),
            _ => None,
        }
    }

    /// The EPSG code of the node itself, from `AUTHORITY["EPSG","2991"]` or `ID["EPSG",2991]`.
    pub fn epsg(&self) -> Option<u32> {
        let id = self.child(&["AUTHORITY", "ID"])?;
        if !id.name()?.eq_ignore_ascii_case("EPSG") {
            return None;
        }
        match id.values.get(1)? {
            Value::Text(text) => text.trim().parse().ok(),
            Value::Number(number) if (1.0..=1e9).contains(number) => Some(*number as u32),
            _ => None,
        }
    }

    /// The first node, in reading order, of this one and those inside it whose keyword is one of `keywords`;
    /// nothing inside a node named in `closed` is looked at.
    pub fn find(&self, keywords: &[&str], closed: &[&str]) -> Option<&Node> {
        if closed.contains(&self.keyword.as_str()) {
            None
        } else if keywords.contains(&self.keyword.as_str()) {
            Some(self)
        } else {
            self.children().find_map(|node| node.find(keywords, closed))
        }
    }
}

/// The nodes of a text, one after another (some writers put the vertical system after the horizontal one, with
/// a comma between). Nothing where the text is not WKT.
pub(super) fn parse(text: &str) -> Option<Vec<Node>> {
    let mut reader = Reader { rest: text.trim_matches(|c: char| c == '\0' || c.is_whitespace()), nodes: 0 };
    let mut roots = Vec::new();
    loop {
        match reader.value(0)? {
            Value::Node(node) => roots.push(node),
            _ => return None,
        }
        if !reader.eat(',') {
            break;
        }
    }
    reader.rest.trim().is_empty().then_some(roots)
}

struct Reader<'a> {
    rest: &'a str,
    nodes: usize,
}

impl Reader<'_> {
    fn eat(&mut self, wanted: char) -> bool {
        self.rest = self.rest.trim_start();
        match self.rest.strip_prefix(wanted) {
            Some(rest) => {
                self.rest = rest;
                true
            }
            None => false,
        }
    }

    fn value(&mut self, depth: usize) -> Option<Value> {
        self.nodes += 1;
        if depth > MAX_DEPTH || self.nodes > MAX_NODES {
            return None;
        }
        if self.eat('"') {
            return self.quoted().map(Value::Text);
        }
        let end = self.rest.find(|c: char| !(c.is_ascii_alphanumeric() || "_+-.".contains(c)));
        let (word, rest) = self.rest.split_at(end.unwrap_or(self.rest.len()));
        if word.is_empty() {
            return None;
        }
        self.rest = rest;
        let close = match self.rest.trim_start().chars().next() {
            Some('[') => ']',
            Some('(') => ')',
            _ => {
                return Some(match word.parse::<f64>() {
                    Ok(number) if word.starts_with(|c: char| !c.is_ascii_alphabetic()) => {
                        Value::Number(number)
                    }
                    _ => Value::Word(word.to_ascii_uppercase()),
                });
            }
        };
        let keyword = word.to_ascii_uppercase();
        self.rest = &self.rest.trim_start()[1..];
        let mut values = Vec::new();
        if !self.eat(close) {
            loop {
                values.push(self.value(depth + 1)?);
                if self.eat(close) {
                    break;
                }
                if !self.eat(',') {
                    return None;
                }
            }
        }
        Some(Value::Node(Node { keyword, values }))
    }

    /// The rest of a quoted text; a doubled quotation mark stands for one.
    fn quoted(&mut self) -> Option<String> {
        let mut text = String::new();
        loop {
            let end = self.rest.find('"')?;
            text.push_str(&self.rest[..end]);
            self.rest = &self.rest[end + 1..];
            match self.rest.strip_prefix('"') {
                Some(rest) => {
                    text.push('"');
                    self.rest = rest;
                }
                None => return Some(text),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_nested_brackets_and_codes() {
        let roots =
            parse(r#"PROJCS["a ""b""", UNIT["metre", 1.0], AXIS("E",EAST), AUTHORITY["EPSG","2991"]] "#)
                .unwrap();
        assert_eq!(roots.len(), 1);
        assert_eq!(roots[0].name(), Some("a \"b\""));
        assert_eq!(roots[0].epsg(), Some(2991));
        assert_eq!(roots[0].child(&["UNIT"]).unwrap().number(1), Some(1.0));
        assert_eq!(roots[0].child(&["AXIS"]).unwrap().values[1], Value::Word("EAST".into()));
    }

    #[test]
    fn reads_two_systems_one_after_the_other() {
        assert_eq!(parse("PROJCS[\"a\"],VERTCS[\"b\"]\0").unwrap().len(), 2);
    }

    #[test]
    fn junk_is_nothing() {
        for junk in ["", "\0", "PROJCS", "PROJCS[", "PROJCS[\"a]", "PROJCS[\"a\"]]", "a,b", "[[[[", "A[1 2]"]
        {
            assert_eq!(parse(junk), None, "{junk}");
        }
        assert_eq!(parse(&"A[".repeat(100_000)), None);
        assert_eq!(parse(&format!("A[{}]", "1,".repeat(100_000))), None);
    }
}

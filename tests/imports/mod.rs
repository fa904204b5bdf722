//! What each source file names, read with a parser: `use` trees, and paths in code, types and macros.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use proc_macro2::{TokenStream, TokenTree};
use syn::visit::{self, Visit};

/// The files of the library by their module path, with what each names.
#[derive(Default)]
pub(crate) struct Tree {
    /// For each file the other files that it names, with the path that does.
    pub(crate) files: BTreeMap<String, BTreeMap<String, String>>,
    /// For each file every path in it, resolved as far as `crate::` goes.
    pub(crate) paths: BTreeMap<String, BTreeSet<String>>,
    /// For each file its strings, but those that tell why the program stops and those of attributes.
    pub(crate) strings: BTreeMap<String, Vec<String>>,
}

impl Tree {
    /// Reads `src/`, but its test modules.
    pub(crate) fn of_sources() -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let mut tree = Self::default();
        let mut texts = Vec::new();
        for path in super::rust_files(&root).iter().filter(|path| !is_test(path)) {
            let inside = path.strip_prefix(&root).expect("a file of src").with_extension("");
            let module = inside.to_string_lossy().replace(['/', '\\'], "::");
            if module != "main" && module != "lib" {
                tree.files.insert(module.clone(), BTreeMap::new());
                texts.push((module, fs::read_to_string(path).expect("a source file")));
            }
        }
        for (module, text) in texts {
            tree.add(&module, &text);
        }
        tree
    }

    /// Adds what a piece of code names to a file.
    pub(crate) fn add(&mut self, module: &str, code: &str) {
        self.files.entry(module.to_owned()).or_default();
        let parsed = syn::parse_file(code).unwrap_or_else(|error| panic!("{module}: {error}"));
        let mut reader = Reader::default();
        reader.visit_file(&parsed);
        if !reader.strings.is_empty() {
            self.strings.entry(module.to_owned()).or_default().append(&mut reader.strings);
        }
        for path in reader.found {
            let (own, crate_path) = self.resolve(module, &path);
            self.paths.entry(module.to_owned()).or_default().insert(crate_path);
            if let Some(other) = own.filter(|other| other != module) {
                self.files.entry(module.to_owned()).or_default().insert(other, path.join("::"));
            }
        }
    }

    /// The file that a path leads to, if it is one of ours, and the path from the root.
    fn resolve(&self, module: &str, path: &[String]) -> (Option<String>, String) {
        let mut inside: Vec<&str> = module.split("::").collect();
        let mut rest = path;
        match path[0].as_str() {
            "crate" => {
                inside.clear();
                rest = &path[1..];
            }
            "self" => rest = &path[1..],
            "super" => {
                while rest.first().is_some_and(|part| part == "super") {
                    inside.pop();
                    rest = &rest[1..];
                }
            }
            first => {
                let child = format!("{module}::{first}");
                if !self.files.contains_key(&child) {
                    return (None, path.join("::"));
                }
            }
        }
        let whole: Vec<&str> = inside.iter().copied().chain(rest.iter().map(String::as_str)).collect();
        let own = (1..=whole.len())
            .rev()
            .map(|length| whole[..length].join("::"))
            .find(|module| self.files.contains_key(module));
        (own, format!("crate::{}", whole.join("::")))
    }
}

/// The room of a file: the first part of its path.
pub(crate) fn room(module: &str) -> Option<&str> {
    module.split("::").next()
}

/// Whether a file holds tests alone.
pub(crate) fn is_test(path: &Path) -> bool {
    path.components().any(|part| matches!(part.as_os_str().to_str(), Some("tests" | "tests.rs")))
}

#[derive(Default)]
struct Reader {
    found: Vec<Vec<String>>,
    strings: Vec<String>,
}

impl Reader {
    fn take_use(&mut self, before: &[String], tree: &syn::UseTree) {
        let with = |name: &syn::Ident| {
            let mut path = before.to_vec();
            if name != "self" || path.is_empty() {
                path.push(name.to_string());
            }
            path
        };
        match tree {
            syn::UseTree::Path(path) => self.take_use(&with(&path.ident), &path.tree),
            syn::UseTree::Name(name) => self.found.push(with(&name.ident)),
            syn::UseTree::Rename(name) => self.found.push(with(&name.ident)),
            syn::UseTree::Glob(_) => self.found.push(before.to_vec()),
            syn::UseTree::Group(group) => {
                for item in &group.items {
                    self.take_use(before, item);
                }
            }
        }
    }

    /// Paths in a macro's tokens: names parted by `::`.
    fn take_tokens(&mut self, tokens: TokenStream) {
        let mut path: Vec<String> = Vec::new();
        let mut colons = 0;
        let mut after_hash = false;
        for token in tokens {
            // Doc comments are attributes here.
            let is_attribute = after_hash && matches!(token, TokenTree::Group(_));
            after_hash = matches!(&token, TokenTree::Punct(punct) if punct.as_char() == '#');
            match token {
                _ if is_attribute => {}
                TokenTree::Punct(punct) if punct.as_char() == ':' => colons += 1,
                TokenTree::Ident(name) => {
                    if colons != 2 {
                        self.keep(&mut path);
                    }
                    path.push(name.to_string());
                    colons = 0;
                }
                other => {
                    self.keep(&mut path);
                    colons = 0;
                    match other {
                        TokenTree::Group(group) => self.take_tokens(group.stream()),
                        TokenTree::Literal(literal) => {
                            if let syn::Lit::Str(text) = syn::Lit::new(literal) {
                                self.strings.push(text.value());
                            }
                        }
                        _ => {}
                    }
                }
            }
        }
        self.keep(&mut path);
    }

    fn keep(&mut self, path: &mut Vec<String>) {
        let path = std::mem::take(path);
        if path.len() > 1 {
            self.found.push(path);
        }
    }
}

fn is_for_tests(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        attribute.path().is_ident("cfg")
            && attribute.parse_args::<syn::Ident>().is_ok_and(|word| word == "test")
    })
}

impl<'ast> Visit<'ast> for Reader {
    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        if !is_for_tests(&item.attrs) {
            visit::visit_item_mod(self, item);
        }
    }

    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        if !is_for_tests(&item.attrs) {
            visit::visit_item_fn(self, item);
        }
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        if !is_for_tests(&item.attrs) {
            visit::visit_impl_item_fn(self, item);
        }
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        if !is_for_tests(&item.attrs) {
            self.take_use(&[], &item.tree);
        }
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let parts: Vec<String> = path.segments.iter().map(|part| part.ident.to_string()).collect();
        if parts.len() > 1 {
            self.found.push(parts);
        }
        visit::visit_path(self, path);
    }

    fn visit_lit_str(&mut self, text: &'ast syn::LitStr) {
        self.strings.push(text.value());
    }

    fn visit_attribute(&mut self, _: &'ast syn::Attribute) {}

    fn visit_expr_method_call(&mut self, call: &'ast syn::ExprMethodCall) {
        self.visit_expr(&call.receiver);
        if call.method != "expect" {
            call.args.iter().for_each(|argument| self.visit_expr(argument));
        }
    }

    fn visit_visibility(&mut self, _: &'ast syn::Visibility) {}

    fn visit_macro(&mut self, item: &'ast syn::Macro) {
        self.take_tokens(item.tokens.clone());
        visit::visit_macro(self, item);
    }
}

/// Groups of files of which each leads to every other.
pub(crate) fn strongly_connected<'a>(arrows: &BTreeMap<&'a str, BTreeSet<&'a str>>) -> Vec<Vec<&'a str>> {
    let reach: BTreeMap<&str, BTreeSet<&str>> = arrows
        .keys()
        .map(|&start| {
            let mut reached = BTreeSet::new();
            let mut open = vec![start];
            while let Some(file) = open.pop() {
                for &next in arrows.get(file).into_iter().flatten() {
                    if reached.insert(next) {
                        open.push(next);
                    }
                }
            }
            (start, reached)
        })
        .collect();
    let mut told = BTreeSet::new();
    let mut groups = Vec::new();
    for &file in arrows.keys() {
        let group: Vec<&str> = reach[file]
            .iter()
            .copied()
            .filter(|other| reach.get(other).is_some_and(|back| back.contains(file)))
            .collect();
        if group.len() > 1 && told.insert(group.clone()) {
            groups.push(group);
        }
    }
    groups
}

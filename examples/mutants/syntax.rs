//! What a parser knows of a source text that letters do not tell: how far each expression goes, what the compiler works
//! out itself, and every place at which a name stands.

use std::ops::Range;

use proc_macro2::{TokenStream, TokenTree};
use syn::spanned::Spanned;
use syn::visit::{self, Visit};
use syn::{BinOp, Expr};

/// The bounds of the parts of one text, in bytes.
#[derive(Default)]
pub(crate) struct Syntax {
    operations: Vec<Operation>,
    /// What a parser leaves unread.
    macros: Vec<Range<usize>>,
    /// Patterns, and what the compiler works out: nothing there can ask at run time.
    fixed: Vec<Range<usize>>,
    uses: Vec<Range<usize>>,
    pub(crate) constants: Vec<Constant>,
}

/// An operator with what it works on.
struct Operation {
    whole: Range<usize>,
    /// The first byte of the operator.
    sign: usize,
    /// Of `&&` and `||`: their sides.
    sides: Option<[Range<usize>; 2]>,
}

#[derive(Clone)]
pub(crate) struct Constant {
    pub(crate) name: String,
    name_at: usize,
    pub(crate) value: Range<usize>,
    pub(crate) is_private: bool,
}

impl Syntax {
    pub(crate) fn of(text: &str) -> Option<Self> {
        let mut syntax = Self::default();
        syntax.visit_file(&syn::parse_file(text).ok()?);
        Some(syntax)
    }

    /// The expression that has its operator at this byte, with all of a chain of `&&` and `||`, since a change there
    /// binds anew; in a macro, the whole macro.
    pub(crate) fn expression_of(&self, sign: usize) -> Option<Range<usize>> {
        if self.fixed.iter().any(|fixed| fixed.contains(&sign)) {
            return None;
        }
        let Some(own) = self.operations.iter().find(|operation| operation.sign == sign) else {
            let around = self.macros.iter().filter(|whole| whole.contains(&sign));
            return around.min_by_key(|whole| whole.len()).cloned();
        };
        let mut whole = &own.whole;
        let is_side = |operation: &Operation, of: &Range<usize>| {
            operation.sides.as_ref().is_some_and(|sides| sides.contains(of))
        };
        if own.sides.is_some() {
            while let Some(around) = self.operations.iter().find(|operation| is_side(operation, whole)) {
                whole = &around.whole;
            }
        }
        Some(whole.clone())
    }

    /// The constant whose value holds this byte.
    pub(crate) fn constant_at(&self, at: usize) -> Option<&Constant> {
        self.constants.iter().find(|constant| constant.value.contains(&at))
    }

    /// Every place at which the name stands for its value, with the path before it. None if one of them cannot ask at
    /// run time, or is in a string.
    pub(crate) fn places(&self, text: &str, name: &str) -> Option<Vec<Range<usize>>> {
        let mut found = Vec::new();
        names(text.parse().ok()?, name, &mut found)?;
        let is_name = |letter: char| letter.is_alphanumeric() || letter == '_' || letter == ':';
        let mut places = Vec::new();
        for at in found {
            let is_defined = self.constants.iter().any(|constant| constant.name_at == at);
            if is_defined || self.uses.iter().any(|used| used.contains(&at)) {
                continue;
            }
            if self.fixed.iter().any(|fixed| fixed.contains(&at)) {
                return None;
            }
            let path = text[..at].chars().rev().take_while(|letter| is_name(*letter));
            places.push(at - path.map(char::len_utf8).sum::<usize>()..at + name.len());
        }
        Some(places)
    }

    /// Whether an import names both.
    pub(crate) fn imports(&self, text: &str, name: &str, module: &str) -> bool {
        let is_word = |text: &str, word: &str| {
            text.split(|letter: char| !letter.is_alphanumeric() && letter != '_').any(|part| part == word)
        };
        self.uses
            .iter()
            .any(|used| is_word(&text[used.clone()], name) && is_word(&text[used.clone()], module))
    }

    fn fix(&mut self, part: &impl Spanned) {
        self.fixed.push(part.span().byte_range());
    }

    fn constant(&mut self, name: &syn::Ident, value: &Expr, visibility: Option<&syn::Visibility>) {
        self.constants.push(Constant {
            name: name.to_string(),
            name_at: name.span().byte_range().start,
            value: value.span().byte_range(),
            is_private: matches!(visibility, Some(syn::Visibility::Inherited)),
        });
        self.fix(value);
    }
}

impl Visit<'_> for Syntax {
    fn visit_expr_binary(&mut self, node: &syn::ExprBinary) {
        let is_logical = matches!(node.op, BinOp::And(_) | BinOp::Or(_));
        self.operations.push(Operation {
            whole: node.span().byte_range(),
            sign: node.op.span().byte_range().start,
            sides: is_logical.then(|| [node.left.span().byte_range(), node.right.span().byte_range()]),
        });
        visit::visit_expr_binary(self, node);
    }

    fn visit_expr_unary(&mut self, node: &syn::ExprUnary) {
        let whole = node.span().byte_range();
        self.operations.push(Operation { sign: whole.start, whole, sides: None });
        visit::visit_expr_unary(self, node);
    }

    fn visit_expr_macro(&mut self, node: &syn::ExprMacro) {
        self.macros.push(node.span().byte_range());
    }

    fn visit_stmt_macro(&mut self, node: &syn::StmtMacro) {
        self.macros.push(node.mac.span().byte_range());
    }

    fn visit_expr_repeat(&mut self, node: &syn::ExprRepeat) {
        self.fix(&node.len);
        visit::visit_expr_repeat(self, node);
    }

    fn visit_expr_const(&mut self, node: &syn::ExprConst) {
        self.fix(node);
    }

    fn visit_type(&mut self, node: &syn::Type) {
        self.fix(node);
    }

    fn visit_generic_argument(&mut self, node: &syn::GenericArgument) {
        self.fix(node);
    }

    fn visit_pat(&mut self, node: &syn::Pat) {
        self.fix(node);
    }

    fn visit_variant(&mut self, node: &syn::Variant) {
        self.fix(node);
    }

    fn visit_item_const(&mut self, node: &syn::ItemConst) {
        self.constant(&node.ident, &node.expr, Some(&node.vis));
    }

    fn visit_impl_item_const(&mut self, node: &syn::ImplItemConst) {
        self.constant(&node.ident, &node.expr, Some(&node.vis));
    }

    fn visit_trait_item_const(&mut self, node: &syn::TraitItemConst) {
        if let Some((_, value)) = &node.default {
            self.constant(&node.ident, value, None);
        }
    }

    fn visit_item_static(&mut self, node: &syn::ItemStatic) {
        self.fix(&node.expr);
    }

    fn visit_item_fn(&mut self, node: &syn::ItemFn) {
        if node.sig.constness.is_some() {
            self.fix(node);
        }
        visit::visit_item_fn(self, node);
    }

    fn visit_impl_item_fn(&mut self, node: &syn::ImplItemFn) {
        if node.sig.constness.is_some() {
            self.fix(node);
        }
        visit::visit_impl_item_fn(self, node);
    }

    fn visit_item_use(&mut self, node: &syn::ItemUse) {
        self.uses.push(node.span().byte_range());
    }
}

/// The first byte of each time that the name stands in the text; None if a string formats it.
fn names(tokens: TokenStream, name: &str, found: &mut Vec<usize>) -> Option<()> {
    for token in tokens {
        match token {
            TokenTree::Ident(ident) if ident == name => found.push(ident.span().byte_range().start),
            TokenTree::Group(group) => names(group.stream(), name, found)?,
            TokenTree::Literal(literal) if literal.to_string().contains(&format!("{{{name}")) => return None,
            _ => {}
        }
    }
    Some(())
}

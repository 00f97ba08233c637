//! What stands around every page: the workshop's name, the ways to the main pages, what was just done, the caution.
use super::assets;
use crate::access::{Caller, Standing};

/// The main pages, as they stand in the navigation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Nav {
    /// What is due.
    Due,
    /// The motorcycles and everything on one.
    Motorcycles,
    /// Rules, limits, fasteners.
    Rules,
    /// Settings, owners, tokens.
    Workshop,
    /// A page outside them.
    Nowhere,
}

/// One way of the navigation.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// The path.
    pub href: &'static str,
    /// The words.
    pub name: &'static str,
    /// This page is it, or lies below it.
    pub here: bool,
    /// `page` where it is this very page, `true` where this page lies below it.
    pub how: &'static str,
}

/// What stands around a page. Every page has one as `frame`.
#[derive(Clone, Debug)]
pub struct Frame {
    /// The workshop's name.
    pub workshop: String,
    /// Who is signed in.
    pub person: Option<String>,
    /// What was done just before, in words.
    pub said: Option<String>,
    /// The page shows a torque, a limit or an interval.
    pub caution: bool,
    standing: Standing,
    current: Nav,
    below: bool,
}

impl Frame {
    /// The frame of a page for somebody who is signed in.
    #[must_use]
    pub fn new(workshop: String, caller: &Caller, said: Option<String>, current: Nav) -> Self {
        Self { workshop, person: Some(caller.name()), standing: caller.standing, said, caution: false, current, below: false }
    }
    /// The frame of a page for nobody in particular: signing in, an error.
    #[must_use]
    pub fn outside() -> Self {
        Self {
            workshop: "Witnessmark".into(),
            person: None,
            standing: Standing::Owner,
            said: None,
            caution: false,
            current: Nav::Nowhere,
            below: false,
        }
    }
    /// With the caution: the page shows a torque, a limit or an interval.
    #[must_use]
    pub fn with_caution(self) -> Self {
        Self { caution: true, ..self }
    }
    /// The page lies below the one that the navigation names.
    #[must_use]
    pub fn below(self) -> Self {
        Self { below: true, ..self }
    }
    /// Whether the page is for somebody who works in the workshop: more can be done.
    #[must_use]
    pub fn is_staff(&self) -> bool {
        self.standing >= Standing::Mechanic
    }
    /// Whether the page is for somebody who runs the workshop.
    #[must_use]
    pub fn is_manager(&self) -> bool {
        self.standing >= Standing::Manager
    }
    /// The navigation: only what this person may open.
    #[must_use]
    pub fn places(&self) -> Vec<Place> {
        let how = if self.below { "true" } else { "page" };
        let place = |nav, href, name| Place { href, name, here: nav == self.current, how };
        let mut places = vec![place(Nav::Due, "/", "Due"), place(Nav::Motorcycles, "/motorcycles", "Motorcycles")];
        if self.is_staff() {
            places.push(place(Nav::Rules, "/rules", "Rules"));
        }
        if self.is_manager() {
            places.push(place(Nav::Workshop, "/workshop", "Workshop"));
        }
        places
    }
    /// The style sheet's URL.
    #[must_use]
    pub fn style(&self) -> &'static str {
        &assets::STYLE.url
    }
    /// The script's URL.
    #[must_use]
    pub fn script(&self) -> &'static str {
        &assets::SCRIPT.url
    }
    /// The icon's URL.
    #[must_use]
    pub fn icon(&self) -> &'static str {
        &assets::ICON.url
    }
}

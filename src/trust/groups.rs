//! The groups that results are told apart by, each as a set of the finest ones.

use std::collections::BTreeMap;

use crate::cloud::point::MAX_RETURN;
use crate::pipeline::accept::Selection;
use crate::results::group_key::{GroupKey, Property};
use crate::stages::summarise::Summarise;
use crate::tile::strata::{By, Cover, Strata, StratumCounts, class_name};

/// What a group is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// All together.
    All,
    /// A row of the table by return.
    Return(u8),
    /// Ground of one cover, all returns together.
    Cover(Cover),
    /// Ground under low vegetation or canopy, all returns together.
    Vegetated,
    /// One of those that `summarise` crosses.
    Crossed,
}

/// A group.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// What it is for.
    pub role: Role,
    /// The strata that its points share.
    pub strata: Strata,
    /// The properties that its points share, as results name them.
    pub by: GroupKey,
    /// The finest groups that make it up, as indices into [`Groups::finest`].
    pub members: Vec<u16>,
}

/// All groups of a run.
pub struct Groups {
    /// The finest strata that anything is told apart by, ascending.
    pub finest: Vec<Strata>,
    /// The groups: all together, each return, open and vegetated ground, each vegetated cover, those that `summarise` crosses.
    pub all: Vec<Group>,
    /// The finest strata as numbers, ascending, with their places.
    codes: Vec<(u64, u16)>,
    mask: u64,
    /// Whether the comparisons are those of a list of surveyed points.
    pub of_list: bool,
}

impl Groups {
    /// The groups of the ground points counted by the crossed strata in `counts`, made up of those `compared`, which are
    /// told apart by [`finest_by`], ascending; returns up to `highest` have a row each, whether they have ground or not.
    pub fn new(
        summarise: &Summarise,
        counts: &BTreeMap<Strata, StratumCounts>,
        compared: Vec<Strata>,
        highest: u8,
    ) -> Self {
        let (by, finest) = (finest_by(summarise), compared);
        // Of a list of surveyed points, comparisons with the ground of all returns together have return number 0: they, and
        // not those with each return alone as well, make up what is not told apart by return.
        let of_list = finest.iter().any(|own| own.return_number == 0);
        let members = |wanted: Strata, properties: &[By]| -> Vec<u16> {
            let counts =
                |own: &Strata| !of_list || properties.contains(&By::Return) || own.return_number == 0;
            let member = |own: &Strata| own.only(properties) == wanted && counts(own);
            (0..).zip(&finest).filter(|(_, own)| member(own)).map(|(i, _)| i).collect()
        };
        let group = |role, strata: Strata, properties: &[By]| Group {
            role,
            strata,
            by: named(&strata, properties, summarise),
            members: members(strata, properties),
        };
        let mut all = vec![group(Role::All, Strata::default(), &[])];
        for number in 1..=highest.min(MAX_RETURN as u8) {
            let strata = Strata { return_number: number, ..Strata::default() };
            all.push(group(Role::Return(number), strata, &[By::Return]));
        }
        if by.contains(&By::Cover) {
            let of_cover = |cover| {
                let strata = Strata { cover: Some(cover), ..Strata::default() };
                group(Role::Cover(cover), strata, &[By::Cover])
            };
            let covers = Cover::ALL.map(of_cover);
            let mut members: Vec<u16> = covers[1..].iter().flat_map(|group| group.members.clone()).collect();
            members.sort_unstable();
            let by = GroupKey::new([Property::Vegetated]);
            let vegetated = Group { role: Role::Vegetated, strata: Strata::default(), by, members };
            let [open, low, canopy] = covers;
            all.extend([open, vegetated, low, canopy]);
        }
        // Points without a valid return number are in no result by return.
        let reported = |strata: &&Strata| !summarise.by.contains(&By::Return) || strata.return_number > 0;
        for strata in counts.keys().filter(reported) {
            all.push(group(Role::Crossed, *strata, &summarise.by));
        }
        let mut codes: Vec<(u64, u16)> = finest.iter().map(|strata| strata.code()).zip(0..).collect();
        codes.sort_unstable();
        Groups { finest, all, codes, mask: Strata::mask(&by), of_list }
    }

    /// The finest group of a comparison.
    pub fn finest_of(&self, strata: &Strata) -> Option<u16> {
        let code = strata.code() & self.mask;
        self.codes.binary_search_by_key(&code, |known| known.0).ok().map(|at| self.codes[at].1)
    }

    /// The group that a group is compared with: the same one of first returns.
    pub fn first_of(&self, group: &Group) -> Option<usize> {
        if group.strata.return_number <= 1 {
            return None;
        }
        let first = Strata { return_number: 1, ..group.strata };
        let role = if matches!(group.role, Role::Return(_)) { Role::Return(1) } else { group.role };
        self.all.iter().position(|other| other.role == role && other.strata == first)
    }
}

/// The properties by which the finest groups are told apart: those that `summarise` names, and the return.
pub fn finest_by(summarise: &Summarise) -> Vec<By> {
    let mut by = summarise.by.clone();
    if !by.contains(&By::Return) {
        by.push(By::Return);
    }
    by
}

/// The properties of strata as results name them.
fn named(strata: &Strata, by: &[By], summarise: &Summarise) -> GroupKey {
    let class = |class: Option<u8>, breaks: &[f64]| class.map(|class| class_name(class, breaks));
    let property = |by: &By| match by {
        By::Return => Property::Return(strata.return_number),
        By::Cover => Property::Cover(strata.cover),
        By::Slope => Property::Slope(class(strata.slope, &summarise.slope_breaks)),
        By::ScanAngle => Property::ScanAngle(class(strata.scan_angle, &summarise.scan_angle_breaks)),
        By::Strip => Property::Strip(strata.strip),
        By::ReturnType => Property::ReturnType(strata.return_type),
    };
    GroupKey::new(by.iter().map(property))
}

/// The properties that a limit names, as results name them.
pub fn selected(selection: &Selection) -> GroupKey {
    let Selection { return_number, cover, slope, scan_angle, strip, return_type } = selection.clone();
    let properties = [
        return_number.map(Property::Return),
        cover.map(|cover| Property::Cover(Some(cover))),
        slope.map(|class| Property::Slope(Some(class))),
        scan_angle.map(|class| Property::ScanAngle(Some(class))),
        strip.map(|strip| Property::Strip(Some(strip))),
        return_type.map(|one| Property::ReturnType(Some(one))),
    ];
    GroupKey::new(properties.into_iter().flatten())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::strata::ReturnType;

    fn strata(return_number: u8, cover: Cover) -> Strata {
        Strata {
            return_number,
            cover: Some(cover),
            strip: Some(7),
            return_type: Some(ReturnType::LastOfMany),
            ..Strata::default()
        }
    }

    #[test]
    fn groups_are_sets_of_the_finest_and_know_what_they_are_compared_with() {
        let summarise = Summarise::default();
        let compared = [
            strata(1, Cover::Open),
            strata(2, Cover::Canopy),
            strata(1, Cover::Canopy),
            strata(1, Cover::Open),
        ];
        let counts: BTreeMap<Strata, StratumCounts> =
            compared.iter().map(|s| (s.only(&summarise.by), StratumCounts::default())).collect();
        let groups = Groups::new(&summarise, &counts, counts.keys().copied().collect(), 2);
        assert_eq!(groups.finest.len(), 3);
        let members: Vec<_> = groups.all.iter().map(|group| group.members.len()).collect();
        // All, returns 1 and 2, open, vegetated, low vegetation, canopy, and three crossed.
        assert_eq!(members, [3, 2, 1, 1, 2, 0, 2, 1, 1, 1]);
        let crossed = groups.all.iter().rposition(|g| g.strata.return_number == 2).unwrap();
        assert_eq!(
            serde_json::to_string(&groups.all[crossed].by).unwrap(),
            r#"{"return":2,"cover":"canopy"}"#
        );
        let first = groups.first_of(&groups.all[crossed]).unwrap();
        assert_eq!(groups.all[first].by.to_string(), "return 1, under canopy");
        assert_eq!(groups.first_of(&groups.all[2]), Some(1));
        assert_eq!(groups.first_of(&groups.all[1]), None);
        assert_eq!(groups.finest_of(&strata(3, Cover::Open)), None);
    }

    #[test]
    fn a_limit_and_a_result_name_a_group_alike() {
        let selection =
            Selection { return_number: Some(2), cover: Some(Cover::Canopy), ..Selection::default() };
        let of = Strata { return_number: 2, cover: Some(Cover::Canopy), ..Strata::default() };
        assert_eq!(selected(&selection), named(&of, &[By::Cover, By::Return], &Summarise::default()));
    }
}

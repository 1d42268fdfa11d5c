//! The Merkle tree of RFC 6962, section 2.1: one hash that stands for a whole list, and short proofs about it.

use crate::digest::{Hasher, Sha256};
use std::io::Write as _;

/// Hash of a leaf: SHA-256 of a zero byte and the entry.
#[must_use]
pub fn leaf(entry: &[u8]) -> Sha256 {
    hash(0, &[entry])
}

/// Hash of a node: SHA-256 of a one byte and the hashes of both children.
fn node(left: &Sha256, right: &Sha256) -> Sha256 {
    hash(1, &[left.bytes(), right.bytes()])
}

fn hash(prefix: u8, parts: &[&[u8]]) -> Sha256 {
    let mut hasher = Hasher::default();
    for part in [&[prefix] as &[u8]].iter().chain(parts) {
        // Hashing can't fail.
        let _ = hasher.write_all(part);
    }
    hasher.finish()
}

/// A tree that grows to the right; it keeps one hash for each bit of its size.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tree {
    size: u64,
    /// Roots of the full trees of which it consists, the largest first.
    full: Vec<Sha256>,
}

impl Tree {
    /// A tree as it was kept.
    ///
    /// `None` where there is not one hash for each bit of its size.
    #[must_use]
    pub fn kept(size: u64, full: Vec<Sha256>) -> Option<Self> {
        (full.len() == size.count_ones() as usize).then_some(Self { size, full })
    }

    /// Number of leaves.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.size
    }

    /// Roots of the full trees of which it consists, the largest first.
    #[must_use]
    pub fn full(&self) -> &[Sha256] {
        &self.full
    }

    /// Adds a leaf.
    pub fn push(&mut self, leaf: Sha256) {
        let mut hash = leaf;
        for _ in 0..self.size.trailing_ones() {
            let Some(left) = self.full.pop() else { break };
            hash = node(&left, &hash);
        }
        self.full.push(hash);
        self.size += 1;
    }

    /// Its root; that of no leaves is the SHA-256 of nothing.
    #[must_use]
    pub fn root(&self) -> Sha256 {
        let mut from_right = self.full.iter().rev();
        let Some(last) = from_right.next() else { return Sha256::of(b"") };
        from_right.fold(*last, |right, left| node(left, &right))
    }
}

/// Root of a list of leaves.
#[must_use]
pub fn root(leaves: &[Sha256]) -> Sha256 {
    let mut tree = Tree::default();
    leaves.iter().for_each(|leaf| tree.push(*leaf));
    tree.root()
}

/// Where a tree of `size` leaves is split: the largest power of two below its size.
fn split(size: usize) -> usize {
    size.next_power_of_two() / 2
}

/// The proof that leaf `index` is in the tree of these leaves (RFC 6962, 2.1.1), lowest hash first.
///
/// Empty where there is no such leaf.
#[must_use]
pub fn inclusion(leaves: &[Sha256], index: usize) -> Vec<Sha256> {
    if leaves.len() < 2 || index >= leaves.len() {
        return Vec::new();
    }
    let (left, right) = leaves.split_at(split(leaves.len()));
    let (mut path, sibling) = match index.checked_sub(left.len()) {
        None => (inclusion(left, index), root(right)),
        Some(index) => (inclusion(right, index), root(left)),
    };
    path.push(sibling);
    path
}

/// The proof that the tree of the first `old` leaves is the beginning of the tree of all (RFC 6962, 2.1.2).
///
/// Empty where nothing is to be proven.
#[must_use]
pub fn consistency(leaves: &[Sha256], old: usize) -> Vec<Sha256> {
    fn part(leaves: &[Sha256], old: usize, whole: bool) -> Vec<Sha256> {
        if old == leaves.len() {
            return if whole { Vec::new() } else { vec![root(leaves)] };
        }
        let (left, right) = leaves.split_at(split(leaves.len()));
        let (mut path, sibling) = if old <= left.len() {
            (part(left, old, whole), root(right))
        } else {
            (part(right, old - left.len(), false), root(left))
        };
        path.push(sibling);
        path
    }
    if old == 0 || old > leaves.len() { Vec::new() } else { part(leaves, old, true) }
}

/// Whether a proof shows that `leaf` is number `index` of the tree with this size and root.
#[must_use]
pub fn includes(leaf: Sha256, index: u64, size: u64, proof: &[Sha256], root: Sha256) -> bool {
    // RFC 9162, 2.1.3.2, which gives the steps that RFC 6962 leaves to the reader.
    if index >= size {
        return false;
    }
    let (mut at, mut last, mut hash) = (index, size - 1, leaf);
    for sibling in proof {
        if last == 0 {
            return false;
        }
        if at & 1 == 1 || at == last {
            hash = node(sibling, &hash);
            while at & 1 == 0 && at != 0 {
                at >>= 1;
                last >>= 1;
            }
        } else {
            hash = node(&hash, sibling);
        }
        at >>= 1;
        last >>= 1;
    }
    last == 0 && hash == root
}

/// Whether a proof shows that the first tree is the beginning of the second; size and root of each.
#[must_use]
pub fn begins(old: (u64, Sha256), new: (u64, Sha256), proof: &[Sha256]) -> bool {
    // RFC 9162, 2.1.4.2.
    if old.0 == 0 || old.0 > new.0 {
        return false;
    }
    if old.0 == new.0 {
        return proof.is_empty() && old.1 == new.1;
    }
    let mut rest = proof.iter().copied();
    let first = if old.0.is_power_of_two() { Some(old.1) } else { rest.next() };
    let Some(first) = first else { return false };
    let (mut at, mut last) = (old.0 - 1, new.0 - 1);
    while at & 1 == 1 {
        at >>= 1;
        last >>= 1;
    }
    let (mut of_old, mut of_new) = (first, first);
    for hash in rest {
        if last == 0 {
            return false;
        }
        if at & 1 == 1 || at == last {
            of_old = node(&hash, &of_old);
            of_new = node(&hash, &of_new);
            while at & 1 == 0 && at != 0 {
                at >>= 1;
                last >>= 1;
            }
        } else {
            of_new = node(&of_new, &hash);
        }
        at >>= 1;
        last >>= 1;
    }
    last == 0 && of_old == old.1 && of_new == new.1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The test data of the open implementation that RFC 6962 came with (leaves and roots; the last one
    /// as in shared/metrology.md, part 7).
    fn published() -> Vec<Sha256> {
        let leaves: [&[u8]; 8] = [
            b"",
            b"\x00",
            b"\x10",
            b"\x20\x21",
            b"\x30\x31",
            b"\x40\x41\x42\x43",
            b"\x50\x51\x52\x53\x54\x55\x56\x57",
            b"\x60\x61\x62\x63\x64\x65\x66\x67\x68\x69\x6a\x6b\x6c\x6d\x6e\x6f",
        ];
        leaves.iter().map(|entry| leaf(entry)).collect()
    }

    #[test]
    fn roots_are_the_published_ones() {
        let leaves = published();
        let roots = [
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
            "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
            "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
            "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
            "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
            "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
            "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
        ];
        for (count, wanted) in roots.iter().enumerate() {
            assert_eq!(root(&leaves[..count]).to_string(), *wanted, "{count} leaves");
        }
    }

    /// The recursive definition of RFC 6962, 2.1.
    fn defined(leaves: &[Sha256]) -> Sha256 {
        match leaves {
            [] => Sha256::of(b""),
            [one] => *one,
            _ => {
                let (left, right) = leaves.split_at(split(leaves.len()));
                node(&defined(left), &defined(right))
            }
        }
    }

    #[test]
    fn proofs_hold_for_every_tree_and_for_no_other() {
        let leaves: Vec<Sha256> = (0..40u8).map(|k| leaf(&[k])).collect();
        for size in 1..leaves.len() {
            let tree = &leaves[..size];
            let whole = root(tree);
            assert_eq!(whole, defined(tree));
            for index in 0..size {
                let mut proof = inclusion(tree, index);
                let holds = |leaf, index: usize, proof: &[Sha256]| {
                    includes(leaf, index as u64, size as u64, proof, whole)
                };
                assert!(holds(tree[index], index, &proof));
                assert!(!holds(leaves[size], index, &proof));
                assert!(!holds(tree[index], index + 1, &proof));
                assert!(!holds(tree[index], size, &proof));
                proof.push(whole);
                assert!(!holds(tree[index], index, &proof));
            }
            for old in 1..=size {
                let before = (old as u64, root(&leaves[..old]));
                let proof = consistency(tree, old);
                let after = (size as u64, whole);
                assert!(begins(before, after, &proof), "{old} of {size}");
                assert!(!begins((before.0, leaves[0]), after, &proof) || old == 1);
                assert!(!begins(before, (size as u64, leaves[size]), &proof));
            }
        }
    }

    #[test]
    fn a_tree_goes_on_from_what_was_kept() {
        let leaves = published();
        let mut tree = Tree::default();
        for (count, leaf) in leaves.iter().enumerate() {
            tree = Tree::kept(tree.size(), tree.full().to_vec()).unwrap();
            tree.push(*leaf);
            assert_eq!(tree.root(), root(&leaves[..=count]));
        }
        assert_eq!(Tree::kept(3, leaves[..1].to_vec()), None);
    }
}

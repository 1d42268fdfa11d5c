//! `crestbook archive verify`, `checkpoint`, `prove` and `key`.

use super::{StampArgs, StoreArgs, recompute};
use crate::archive::{ArchiveError, Checkpoint, PrivateKey, Proof, PublicKey, VerifyOptions};
use crate::cli::exit::{Exit, Failure, refuse_existing};
use crate::cli::printer::Printer;
use crate::cli::progress::Watch;
use crate::explain::ErrorCode;
use crate::files::{WholeFile, write_whole};
use crate::recording::Observer as _;
use crate::report::archive::text;
use crate::result::Form;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// `crestbook archive verify`.
#[derive(Debug, clap::Args)]
pub(super) struct Verify {
    /// Checkpoint that was kept elsewhere
    #[arg(long, value_name = "FILE")]
    checkpoint: Option<PathBuf>,

    /// Public key that must have signed
    #[arg(long = "pub", value_name = "FILE")]
    public: Option<PathBuf>,

    /// Measure kept captures anew and compare
    #[arg(long)]
    recompute: bool,

    /// Leave captures out
    #[arg(long, conflicts_with = "recompute")]
    no_captures: bool,

    /// Check a proof that `archive prove` wrote; this needs no archive
    #[arg(long, value_name = "FILE", conflicts_with_all = ["checkpoint", "recompute", "no_captures"])]
    proof: Option<PathBuf>,
}

fn read_file(path: &Path) -> Result<Vec<u8>, Failure> {
    std::fs::read(path).map_err(|error| {
        let message = format!("{}: can't read it: {error}", path.display());
        Failure::new(ErrorCode::Unreadable, message, None).about(path)
    })
}

fn read_checkpoint(path: &Path) -> Result<Checkpoint, Failure> {
    let text = String::from_utf8_lossy(&read_file(path)?).into_owned();
    Checkpoint::parse(&text).ok_or_else(|| {
        let help = "give the file that `crestbook archive checkpoint -o FILE` wrote";
        let message = format!("{}: this is no checkpoint", path.display());
        Failure::new(ErrorCode::WrongDocument, message, Some(help.into())).about(path)
    })
}

/// Runs `crestbook archive verify`.
pub(super) fn verify(args: &Verify, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let key = args.public.as_deref().map(PublicKey::read).transpose()?;
    if let Some(path) = &args.proof {
        return check_proof(path, key, printer);
    }
    let checkpoint = args.checkpoint.as_deref().map(read_checkpoint).transpose()?;
    let mut archive = store.open()?;
    let watch = Watch::new(printer);
    let options = VerifyOptions { checkpoint, key, without_captures: args.no_captures };
    let mut found = archive.verify(&options, |done, all| {
        watch.progress(done, all);
        if watch.stop() { Err(ArchiveError::Interrupted) } else { Ok(()) }
    })?;
    if args.recompute {
        recompute::recompute(&mut archive, &mut found, &watch, printer)?;
    }
    if printer.json() {
        printer.out_json(&found)?;
    } else {
        printer.out(&text::verification(&found, printer.manner(false)))?;
    }
    Ok(if found.intact { Exit::Done } else { Exit::NotAPass })
}

fn check_proof(path: &Path, key: Option<PublicKey>, printer: &Printer) -> Result<Exit, Failure> {
    let proof: Proof = Form::Proof
        .read(&read_file(path)?)
        .map_err(|error| ArchiveError::Document { name: path.display().to_string(), error })?;
    match proof.check(key.as_ref()) {
        Ok(entry) => {
            if printer.json() {
                printer.out_json(&entry)?;
            } else {
                printer.out(&text::log_line(&entry))?;
                printer.out(
                    "the proof holds: this entry is in the archive that its checkpoint states\n",
                )?;
            }
            if key.is_none() {
                printer.note("without --pub it is not checked who signed the checkpoint");
            }
            Ok(Exit::Done)
        }
        Err(why) => {
            printer.out(&format!("the proof does not hold: {why}\n"))?;
            Ok(Exit::NotAPass)
        }
    }
}

/// `crestbook archive checkpoint`.
#[derive(Debug, clap::Args)]
pub(super) struct CheckpointArgs {
    /// File to write; with a key, its signature beside it as FILE.minisig
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,

    /// Private key that signs it
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,

    /// Who signs [default: the variable `CRESTBOOK_BY`]
    #[arg(long, value_name = "NAME")]
    by: Option<String>,

    /// Overwrite existing files
    #[arg(long)]
    force: bool,
}

/// Runs `crestbook archive checkpoint`.
pub(super) fn checkpoint(
    args: &CheckpointArgs,
    store: &StoreArgs,
    printer: &Printer,
) -> Result<Exit, Failure> {
    let mut signature = args.output.clone().into_os_string();
    signature.push(".minisig");
    let signature = PathBuf::from(signature);
    refuse_existing(&args.output, args.force)?;
    refuse_existing(&signature, args.force)?;
    let mut archive = store.open()?;
    let stamp = match &args.key {
        None => None,
        Some(key) => Some(StampArgs { by: args.by.clone(), key: Some(key.clone()) }.stamp()?),
    };
    let checkpoint = match &stamp {
        None => archive.checkpoint()?,
        Some(stamp) => archive.sign_checkpoint(stamp)?,
    };
    let text = checkpoint.to_string();
    write_whole(&args.output, text.as_bytes())?;
    if let Some(key) = stamp.as_ref().and_then(|stamp| stamp.key.as_ref()) {
        let trusted = format!(
            "crestbook checkpoint of {} with {} entries",
            checkpoint.origin, checkpoint.size
        );
        write_whole(&signature, key.sign_file(text.as_bytes(), &trusted).as_bytes())?;
    } else if !checkpoint.is_signed() {
        printer.note("no key has signed it: give --key FILE");
    }
    printer.note(&format!(
        "checkpoint of {} entries in {}; keep it where whoever keeps the archive can't change it",
        checkpoint.size,
        args.output.display()
    ));
    Ok(Exit::Done)
}

/// `crestbook archive prove`.
#[derive(Debug, clap::Args)]
pub(super) struct Prove {
    /// Number of the entry, or first digits of the result's SHA-256
    entry: String,

    /// Older checkpoint, to prove that the archive only grew since
    #[arg(long, value_name = "CHECKPOINT")]
    since: Option<PathBuf>,

    /// File to write
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,

    /// Overwrite an existing file
    #[arg(long)]
    force: bool,
}

/// Runs `crestbook archive prove`.
pub(super) fn prove(args: &Prove, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    if let Some(path) = &args.output {
        refuse_existing(path, args.force)?;
    }
    let older = args.since.as_deref().map(read_checkpoint).transpose()?;
    let mut archive = store.open()?;
    let number = archive.find(&args.entry)?;
    let proof = archive.prove(number, older.as_ref())?;
    match &args.output {
        None => printer.out_json(&proof)?,
        Some(path) => {
            let text = serde_json::to_string_pretty(&proof)
                .map_err(|error| Failure::new(ErrorCode::Internal, error.to_string(), None))?;
            write_whole(path, format!("{text}\n").as_bytes())?;
            printer.note(&format!(
                "proof in {}; check it with `crestbook archive verify --proof`",
                path.display()
            ));
        }
    }
    Ok(Exit::Done)
}

/// `crestbook archive key`.
#[derive(Debug, clap::Args)]
pub(super) struct Key {
    #[command(subcommand)]
    command: KeySub,
}

#[derive(Debug, clap::Subcommand)]
enum KeySub {
    /// Make a key: FILE is private, FILE.pub is for everybody
    New {
        /// File of the private key
        file: PathBuf,
    },
}

/// Runs `crestbook archive key`.
pub(super) fn key(args: &Key, printer: &Printer) -> Result<Exit, Failure> {
    let KeySub::New { file } = &args.command;
    let mut public = file.clone().into_os_string();
    public.push(".pub");
    let public = PathBuf::from(public);
    // A key that is written over is lost, and with it all that it could sign: there is no --force.
    for path in [file, &public] {
        refuse_existing(path, false)
            .map_err(|failure| Failure::usage(failure.message, "choose another name"))?;
    }
    let key = PrivateKey::new()?;
    let mut private = WholeFile::private(file)?;
    private.write_all(key.file().as_bytes()).map_err(|error| private.fail(error))?;
    private.finish()?;
    write_whole(&public, key.public().file().as_bytes())?;
    printer.note(&format!(
        "{} is private and has no password: keep it where only the signer can read it, and never beside the archive",
        file.display()
    ));
    printer.note(&format!("{} is for everybody who checks", public.display()));
    Ok(Exit::Done)
}

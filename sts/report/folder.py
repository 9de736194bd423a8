"""The folder of results: what may be overwritten there, and files written all or none."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from sts.report.differences import read_results
from sts.session.whole_folder import whole_folder

PARTS = {
    "report": ("session", "barrier", "tips", "spectra"),
    "spectra": ("spectra",),
    "barrier": ("barrier", "tips"),
    "compare": ("tips",),
}
RECORD = "tips"  # the record of tips over many sessions, with a page of its own


PDF_VARIANT = "pdf/ua-1"  # ISO 14289-1: tagged, so that it can be read out; with title, language and outline
PDF = "report.pdf"  # made of the page, beside the files that results.json lists
FOLDERS = ("figures", "spectra")  # within the results
ALWAYS = ("results.json", "results.h5", "plan.toml", "references.bib")  # written whatever the results are
OF_RECORD = ("results.json", "plan.toml", "tips.html")


def ready_to_write(
    out: str | Path, *, what: str = "report", pdf: bool = False, force: bool = False, renew: bool = False
) -> dict[str, Any] | None:
    """Refuse before any work what could not be written after it; what the folder holds, if it may be renewed.

    Parameters
    ----------
    out : path
        The folder.
    what : str
        As in `write_results`, or `RECORD`.
    pdf : bool
    force : bool
        Whether files that are there may be overwritten.
    renew : bool
        Whether results of the same kind that are there may be.

    Returns
    -------
    dict or None
        The earlier results, as `read_results` gives them.

    Raises
    ------
    ValueError
        If `what` is unknown, the folder is a file, a library for the PDF is missing, or results are there that may not be
        overwritten.
    """
    if what not in (*PARTS, RECORD):
        raise ValueError(f"what is '{what}'; it must be one of {', '.join(PARTS)}.")
    folder = Path(out)
    if folder.exists() and not folder.is_dir():
        raise ValueError(f"{folder} is a file; give the name of a folder.")
    if pdf and what == "report":
        pdf_maker()
    try:
        before = read_results(folder)
    except ValueError:
        before = None
    if before is not None and not (before.get("what") == what and "sts" in before.get("versions", {})):
        before = None
    _refuse_to_overwrite(
        folder, OF_RECORD if what == RECORD else ALWAYS, force=force, ours=_listed(before) if renew else frozenset()
    )
    return before if renew or force else None


def _listed(results: dict[str, Any] | None) -> frozenset[str]:
    """The files that earlier results say they wrote."""
    names = (results or {}).get("files")
    found = set(map(str, names)) if isinstance(names, list) else set()
    return frozenset(found | ({PDF} if "report.html" in found else set()))


def _refuse_to_overwrite(folder: Path, names: Iterable[str], *, force: bool, ours: Collection[str]) -> None:
    there = [name for name in names if name not in ours and (folder / name).exists()]
    if there and not force:
        raise ValueError(
            f"{folder / there[0]} is there already{f' ({len(there)} files in all)' if len(there) > 1 else ''}; "
            "nothing was written. Choose another folder, or overwrite with --force (force=True)."
        )


def write_files(
    folder: Path, content: dict[str, bytes], *, force: bool, before: dict[str, Any] | None = None
) -> list[Path]:
    """Write files to a folder, all or none (`whole_folder`).

    Parameters
    ----------
    folder : pathlib.Path
    content : dict of str to bytes
        By name within the folder.
    force : bool
        Whether any file may be overwritten.
    before : dict, optional
        Earlier results there, whose files may be.

    Raises
    ------
    ValueError
        If a file is there that may not be overwritten; nothing was written.
    OSError
        If they cannot be written; the folder is as it was.
    """
    _refuse_to_overwrite(folder, content, force=force, ours=_listed(before))
    stale = _stale(folder, set(content)) if any((folder / name).exists() for name in content) else set()
    with whole_folder(folder, without=stale, last="results.json") as new:
        for name, data in content.items():
            path = new / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
    return [folder / name for name in content]


def _stale(folder: Path, fresh: set[str]) -> set[str]:
    """Files of an earlier result that this one does not have: a figure of other data beside new ones misleads."""
    try:
        names = _listed(read_results(folder)) - fresh
    except ValueError:
        return set()
    return {name for name in names if _ours(PurePosixPath(name).parts) and not (folder / name).is_symlink()}


def _ours(parts: Sequence[str]) -> bool:
    """Whether a file within the folder is where results are written."""
    within = 1 <= len(parts) <= 2 and all(part not in ("..", "/", "") for part in parts)
    return within and (len(parts) == 1 or parts[0] in FOLDERS)


def pdf_maker() -> Any:
    """The library that makes PDF, asked for before any work is done.

    Raises
    ------
    ValueError
        If it, or a library of the system that it needs, is not installed.
    """
    try:
        import weasyprint

        weasyprint.urls.URLFetcher  # noqa: B018 - versions before 68 have none
    except (ImportError, OSError, AttributeError) as error:  # OSError: its system libraries are missing
        raise ValueError(
            f"The page cannot become a PDF here ({type(error).__name__}). Install the extra: pip install 'sts[pdf]', "
            "or print report.html from a browser."
        ) from error
    return weasyprint


def pdf_of(page: str, maker: Any) -> bytes:
    """A page as PDF, made of what the page holds itself: whatever it names elsewhere is not fetched.

    Parameters
    ----------
    page : str
        HTML.
    maker : module
        As `pdf_maker` gives it.
    """

    class OwnDataOnly(maker.urls.URLFetcher):  # type: ignore[misc]  # of a library without types
        def fetch(self, url: str, headers: Any = None) -> Any:
            if not url.lower().startswith("data:"):
                raise ValueError("A report asks nobody for anything; this address is not fetched.")
            return super().fetch(url, headers)

    fetcher = OwnDataOnly(allowed_protocols=("data",), allow_redirects=False)
    return bytes(maker.HTML(string=page, url_fetcher=fetcher).write_pdf(pdf_variant=PDF_VARIANT))

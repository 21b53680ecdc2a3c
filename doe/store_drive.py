"""Where a file lies: on this computer, or on a drive that other computers write to as well."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import warnings
from pathlib import Path

from doe.store_file import StudyFileWarning

__all__ = ["VARIABLE", "is_shared", "kind_of_drive"]

VARIABLE = "CUPSTUDY_SHARED_DRIVE"
"""Environment variable that says whether files lie on a shared drive: 1 or 0."""

_SHARED = frozenset((
    "9p", "acfs", "afpfs", "afs", "beegfs", "ceph", "cifs", "coda", "davfs", "fakeowner", "fhgfs",
    "fuse.cephfs", "fuse.glusterfs", "fuse.gvfsd-fuse", "fuse.rclone", "fuse.s3fs", "fuse.sshfs",
    "fuse.davfs2", "fuse.grpcfuse", "glusterfs", "gpfs", "lustre", "macfuse_sshfs", "moosefs",
    "ncp", "ncpfs", "nfs", "nfs3", "nfs4", "ocfs2", "orangefs", "osxfuse_sshfs", "panfs",
    "prl_fs", "smb2", "smb3", "smbfs", "vboxsf", "virtiofs", "vmhgfs", "webdav"))
_LOCAL = frozenset((
    "aufs", "apfs", "bcachefs", "btrfs", "ecryptfs", "erofs", "exfat", "ext2", "ext3", "ext4",
    "f2fs", "fuse.ntfs-3g", "fuseblk", "hfs", "hfsplus", "iso9660", "jfs", "msdos", "nilfs2",
    "ntfs", "ntfs3", "overlay", "ramfs", "reiserfs", "squashfs", "tmpfs", "udf", "ufs", "vfat",
    "xfs", "zfs"))
_FIXED, _REMOTE = (2, 3, 5, 6), 4  # what GetDriveTypeW returns


def is_shared(path: Path, shared: bool | None = None) -> bool:
    """Whether other computers may write to a file at `path` too.

    Parameters
    ----------
    path : Path
        It need not exist yet.
    shared : bool, optional
        What is known; else the environment variable `VARIABLE` says it, else it is found out.
        Where it cannot be, a warning says so, and the file is taken to be on this computer.
    """
    if shared is not None:
        return bool(shared)
    told = os.environ.get(VARIABLE, "").strip()
    if told:
        return told not in ("0", "no", "false")
    kind = kind_of_drive(path)
    if kind in _SHARED:
        return True
    if kind not in _LOCAL:
        warnings.warn(
            f"{path}: it is not known whether it lies on this computer or on a network drive "
            f"({f'its kind is {kind}' if kind else 'the system does not tell'}); it is taken to be "
            f"on this computer. If it is not, open it with shared=True or set {VARIABLE}=1",
            StudyFileWarning, stacklevel=5)
    return False


def kind_of_drive(path: Path, *, platform: str = sys.platform, mounts: str | None = None) -> str:
    """The kind of the drive a file lies on, such as ``"ext4"`` or ``"nfs4"``; empty if unknown.

    Parameters
    ----------
    path : Path
    platform : str
        As `sys.platform`.
    mounts : str, optional
        What the system says is mounted where: the text of ``/proc/self/mountinfo`` on Linux,
        of ``mount`` elsewhere.
    """
    if platform == "win32":
        return _kind_on_windows(path)
    if mounts is None:
        mounts = _mounts(platform)
    table = _from_mountinfo(mounts) if platform.startswith("linux") else _from_mount(mounts)
    there = os.path.realpath(path)
    best, kind = -1, ""
    for point, found in table:  # of those at one place, the last covers the others
        inside = there == point or there.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= best:
            best, kind = len(point), found
    return kind


def _mounts(platform: str) -> str:
    try:
        if platform.startswith("linux"):
            return Path("/proc/self/mountinfo").read_text("utf-8", "surrogateescape")
        return subprocess.run(["mount"], capture_output=True, text=True, timeout=10,
                              check=True).stdout
    except (OSError, subprocess.SubprocessError):
        return ""


def _from_mountinfo(text: str) -> list[tuple[str, str]]:
    """Places and kinds; see proc_pid_mountinfo(5)."""
    out = []
    for line in text.splitlines():
        head, dash, tail = line.partition(" - ")
        fields = head.split(" ")
        if dash and len(fields) > 4:
            point = re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), fields[4])
            out.append((point, tail.split(" ")[0].lower()))
    return out


def _from_mount(text: str) -> list[tuple[str, str]]:
    """Places and kinds from lines such as ``//user@host/share on /Volumes/share (smbfs, nodev)``"""
    found = re.finditer(r"^.*? on (/.*) \((\w+)[,)].*$", text, re.MULTILINE)
    return [(m[1], m[2].lower()) for m in found]


def _kind_on_windows(path: Path) -> str:
    import ctypes

    there = os.path.realpath(path).replace("/", "\\")
    if there.startswith("\\\\") and not there.startswith(("\\\\?\\", "\\\\.\\")):
        return "smbfs"
    drive = there.removeprefix("\\\\?\\")
    if drive.upper().startswith("UNC\\"):
        return "smbfs"
    kind = ctypes.windll.kernel32.GetDriveTypeW(drive[:3])
    return "smbfs" if kind == _REMOTE else "ntfs" if kind in _FIXED else ""

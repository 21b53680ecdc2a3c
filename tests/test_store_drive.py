"""Whether a study lies on a network drive, as the system tells it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from study_cases import template_brief

from doe.store import StudyFileError, StudyFileWarning, open_study
from doe.store_drive import VARIABLE, is_shared, kind_of_drive

# Lines as proc_pid_mountinfo(5) describes them.
LINUX = r"""
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda1 rw
23 22 0:21 / /proc rw,nosuid shared:2 - proc proc rw
40 22 0:44 / /home rw shared:20 - autofs /etc/auto.home rw,fd=5
41 40 0:45 /export/home/rito /home/rito rw,nosuid - nfs4 filer:/export rw,vers=4.2,addr=10.0.0.7
42 22 0:46 / /mnt/lab\040share rw - cifs //filer/lab rw,username=rito
43 22 0:47 / /mnt/far rw - fuse.sshfs rito@far:/data rw
44 22 0:48 / /mnt/usb rw - vfat /dev/sdb1 rw
45 22 0:49 / /mnt/new rw - newfs none rw
46 22 254:1 / /mnt/covered rw - ext4 /dev/vdb rw
47 46 0:50 / /mnt/covered rw - nfs filer:/covered rw
48 22 0:51 / /mnt/docker rw master:3 - overlay overlay rw,lowerdir=/a:/b
49 22 0:52 / /mnt/vm rw - 9p host rw
""".strip()

# Lines as mount(8) prints them on macOS.
MAC = """
/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)
devfs on /dev (devfs, local, nobrowse)
//rito@filer._smb._tcp.local/lab on /Volumes/lab (smbfs, nodev, nosuid, mounted by rito)
filer:/export on /Volumes/odd (name) (nfs, nodev)
""".strip()


@pytest.mark.parametrize(("path", "kind", "shared"), [
    ("/data/paste.study", "ext4", False), ("/home/rito/paste.study", "nfs4", True),
    ("/home/rito", "nfs4", True), ("/home/ritomax/paste.study", "autofs", None),
    ("/mnt/lab share/a/paste.study", "cifs", True), ("/mnt/far/x.study", "fuse.sshfs", True),
    ("/mnt/usb/x.study", "vfat", False), ("/mnt/new/x.study", "newfs", None),
    ("/mnt/covered/x.study", "nfs", True), ("/mnt/docker/x.study", "overlay", False),
    ("/mnt/vm/x.study", "9p", True), ("/mnt/farther/x.study", "ext4", False)])
def test_linux(path, kind, shared, monkeypatch):
    assert kind_of_drive(Path(path), platform="linux", mounts=LINUX) == kind
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr("doe.store_drive.kind_of_drive", lambda _: kind)
    if shared is None:
        with pytest.warns(StudyFileWarning, match=f"its kind is {kind}.*shared=True"):
            assert not is_shared(Path(path))
    else:
        assert is_shared(Path(path)) is shared


@pytest.mark.parametrize(("path", "kind"), [
    ("/Users/rito/paste.study", "apfs"), ("/Volumes/lab/paste.study", "smbfs"),
    ("/Volumes/odd (name)/paste.study", "nfs")])
def test_macos(path, kind):
    assert kind_of_drive(Path(path), platform="darwin", mounts=MAC) == kind


def test_what_is_not_told_is_said_and_taken_to_be_here(monkeypatch):
    assert kind_of_drive(Path("/x"), platform="linux", mounts="") == ""
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr("doe.store_drive.kind_of_drive", lambda _: "")
    with pytest.warns(StudyFileWarning, match="the system does not tell"):
        assert not is_shared(Path("/x"))


def test_who_knows_better_says_so(monkeypatch):
    monkeypatch.setattr("doe.store_drive.kind_of_drive", lambda _: "nfs4")
    for told, shared in (("1", True), ("0", False), ("", True)):
        monkeypatch.setenv(VARIABLE, told)
        assert is_shared(Path("/x")) is shared
        assert is_shared(Path("/x"), True)
        assert not is_shared(Path("/x"), False)


def test_this_computer_is_known():
    """Where the tests run, the drive of the system's own files is a local one."""
    if os.path.exists("/proc/self/mountinfo"):
        assert kind_of_drive(Path("/proc/self/status")) == "proc"


def test_files_on_this_computer_have_nothing_beside_them(tmp_path, monkeypatch):
    monkeypatch.setenv(VARIABLE, "0")
    with open_study(tmp_path / "a.study", create=template_brief()):
        assert [p.name for p in tmp_path.iterdir()] == ["a.study"]
    monkeypatch.setenv(VARIABLE, "1")
    with open_study(tmp_path / "a.study"):
        assert sorted(p.name for p in tmp_path.iterdir()) == ["a.study", "a.study-writer"]
    assert [p.name for p in tmp_path.iterdir()] == ["a.study"]
    with pytest.raises(StudyFileError, match="there is no such file"):
        open_study(tmp_path / "b.study")
    assert [p.name for p in tmp_path.iterdir()] == ["a.study"]

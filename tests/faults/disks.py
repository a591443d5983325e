"""Small disks for the spool: of memory, or a file system in a file. What this machine does not allow skips the test."""
import os
import pathlib
import shutil
import subprocess
import tempfile
import time
import unittest


def small_disk(test, *options, size_mb=None):
    """A folder on a disk of its own for the length of a test: tmpfs with options, or ext4 of so many MiB."""
    if os.geteuid() != 0:
        raise unittest.SkipTest("mounting a small disk needs root")
    folder = tempfile.mkdtemp(prefix="vaneward-small-")
    test.addCleanup(shutil.rmtree, folder, ignore_errors=True)
    disk = os.path.join(folder, "disk")
    os.mkdir(disk)
    if size_mb:
        image = os.path.join(folder, "image")
        with open(image, "wb") as file:
            file.truncate(size_mb << 20)
        try:
            subprocess.run(["mkfs.ext4", "-q", "-F", "-m", "0", image], check=True, capture_output=True)
        except FileNotFoundError as missing:
            raise unittest.SkipTest("mkfs.ext4 is not installed (package e2fsprogs)") from missing
        command = ["mount", "-o", "loop", image, disk]
    else:
        command = ["mount", "-t", "tmpfs", "-o", ",".join(options), "none", disk]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        raise unittest.SkipTest(f"this machine does not let us mount a small disk: {done.stderr.strip()}")
    test.addCleanup(subprocess.run, ["umount", "-l", disk], check=True)
    return disk


def mounted(test, image):
    """The folder on which a copy of a disk is mounted; its journal is replayed, as after a loss of power."""
    folder = pathlib.Path(f"{image}-mounted")
    folder.mkdir()
    subprocess.run(["mount", "-o", "loop", image, folder], check=True, capture_output=True)
    test.addCleanup(subprocess.run, ["umount", "-l", folder], check=True)
    return folder


def remount(disk, how, seconds=20):
    """ro or rw. Who writes at this moment holds the first up, but not for long."""
    until = time.monotonic() + seconds
    while (done := subprocess.run(["mount", "-o", f"remount,{how}", disk], capture_output=True, text=True)).returncode:
        if time.monotonic() > until:
            raise AssertionError(f"cannot remount {disk} {how}: {done.stderr}")
        time.sleep(0.1)


def fill(disk, leave_share=0.0):
    """A file that takes all room, or all but a share of the disk; its path."""
    path = os.path.join(disk, "filler")
    with open(path, "ab", buffering=0) as file:
        while True:
            v = os.statvfs(disk)
            room = v.f_bavail * v.f_frsize - int(leave_share * v.f_blocks * v.f_frsize)
            if room <= 0:
                return path
            try:
                file.write(bytes(min(room, 1 << 16)))
            except OSError:
                return path

"""Private PostgreSQL servers whose database is prepared, each a copy of one that is made once in a process."""
import atexit
import os
import pathlib
import shutil
import subprocess
import tempfile

from places import BIN, ROOT

# The program itself: what Debian puts before it costs a tenth of a second a call.
PSQL = str(max(pathlib.Path("/usr/lib/postgresql").glob("*/bin/psql"), default="psql"))


class Server:
    """Its data lie in a folder, in which nothing may be before."""
    template = None

    def __init__(self, folder, options=""):
        self.folder, self.options = pathlib.Path(folder), options
        self.copy_template()

    def copy_template(self):
        if not Server.template:
            Server.template = pathlib.Path(tempfile.mkdtemp(prefix="vaneward-template-"))
            atexit.register(shutil.rmtree, Server.template, ignore_errors=True)
            os.chmod(Server.template, 0o755)
            make_template(Server.template)
        self.folder.mkdir()
        subprocess.run(["cp", "-a", Server.template / "data", self.folder / "data"], check=True)
        (self.folder / "where").write_text(f"{self.folder}\n")

    def do(self, verb, check=True):
        return do(verb, self.folder, self.options, check)

    def start(self):
        """The environment of programs that use it."""
        return environment(self.do("start"))

    def stop(self):
        self.do("stop")

    def data(self):
        return pathlib.Path((self.folder / "where").read_text().strip()) / "data"

    def main_process(self):
        return int((self.data() / "postmaster.pid").read_text().split()[0])


def do(verb, folder, options="", check=True):
    return subprocess.run([ROOT / "deploy/private-postgres.sh", verb, folder], check=check, capture_output=True, text=True,
                          env=dict(os.environ, VANEWARD_PG_OPTIONS=options)).stdout


def environment(words):
    return dict(os.environ, LC_ALL="C.UTF-8", TZ="UTC", **dict(pair.split("=", 1) for pair in words.split()))


def make_template(folder):
    """Nothing here takes the machine's power away, so no server need wait for its disk."""
    made = folder / "made"
    env = environment(do("start", made, "-c fsync=off"))
    try:
        subprocess.run([BIN / "vaneward-collector", "prepare"], check=True, env=env, stdout=subprocess.DEVNULL)
        do("stop", made)
        data = pathlib.Path((made / "where").read_text().strip()) / "data"
        with open(data / "postgresql.conf", "a", encoding="utf-8") as settings:
            settings.write("fsync = off\n")
        subprocess.run(["cp", "-a", data, folder / "data"], check=True)
    finally:
        do("remove", made)

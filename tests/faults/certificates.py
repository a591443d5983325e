"""Certificates for tests, made with openssl: an authority, and servers of every kind of wrongness."""
import base64
import hashlib
import ssl
import subprocess
import warnings

SETTINGS = """[ca]
default_ca = own
[own]
database = index.txt
serial = serial
new_certs_dir = .
default_md = sha256
policy = any
unique_subject = no
copy_extensions = copy
[any]
commonName = supplied
"""


class Authority:
    def __init__(self, folder, name):
        self.folder, self.name = folder, name
        folder.mkdir()
        (folder / "ca.cnf").write_text(SETTINGS)
        (folder / "index.txt").write_text("")
        (folder / "serial").write_text("01\n")
        self.run("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "ca.key", "-out", "ca.pem", "-days", "3650",
                 "-subj", f"/CN={name}")
        self.file = folder / "ca.pem"

    def run(self, *args):
        return subprocess.run(["openssl", *args], cwd=self.folder, check=True, capture_output=True).stdout

    def server(self, name, alternative="IP:127.0.0.1,DNS:localhost", begin=None, end="20991231235959Z"):
        """A context for a server, with the path of its certificate in .pem"""
        self.run("req", "-new", "-newkey", "rsa:2048", "-nodes", "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}",
                 "-addext", f"subjectAltName={alternative}")
        self.run("ca", "-batch", "-config", "ca.cnf", "-cert", "ca.pem", "-keyfile", "ca.key", "-in", f"{name}.csr", "-out", f"{name}.pem",
                 *(["-startdate", begin] if begin else []), "-enddate", end)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.folder / f"{name}.pem", self.folder / f"{name}.key")
        return context

    def pin(self, name):
        key = self.run("pkey", "-in", f"{name}.key", "-pubout", "-outform", "DER")
        return "sha256//" + base64.b64encode(hashlib.sha256(key).digest()).decode()


def only_tls_1_1(context):
    warnings.simplefilter("ignore", DeprecationWarning)
    context.set_ciphers("DEFAULT@SECLEVEL=0")
    context.minimum_version = ssl.TLSVersion.TLSv1
    context.maximum_version = ssl.TLSVersion.TLSv1_1
    return context

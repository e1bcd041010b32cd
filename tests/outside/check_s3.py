"""Keeps photos in a store that speaks S3 and is not ours: `moto` of PyPI, which plays one.

A server and a device, the built programs: a document of several chunks goes there and comes back to the byte, of its chunks nothing
is left, and while the store is away entries go on and the document waits.
"""

import json
import pathlib
import shutil
import tempfile

import boto3
from moto.server import ThreadedMotoServer

from programs import Server, device, expect

KEYS = {"AWS_ACCESS_KEY_ID": "none", "AWS_SECRET_ACCESS_KEY": "none", "AWS_REGION": "eu-west-1"}


def main(folder):
    store = ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    store.start()
    host, port = store.get_host_and_port()
    endpoint = f"http://{host}:{port}"
    bucket = boto3.resource(
        "s3", endpoint_url=endpoint, region_name=KEYS["AWS_REGION"], aws_access_key_id="none", aws_secret_access_key="none"
    ).create_bucket(Bucket="yard", CreateBucketConfiguration={"LocationConstraint": KEYS["AWS_REGION"]})
    pintle = device(f"{folder}/device")
    env = {**KEYS, "AWS_ENDPOINT": endpoint, "AWS_ALLOW_HTTP": "true"}
    with Server(folder, "--files", "s3://yard/north", env=env) as server:
        bill = pathlib.Path(folder, "bill.pdf")
        bill.write_bytes(b"%PDF-1.7\n" + bytes(range(97, 122)) * 24_000 + b"%%EOF\n")
        pintle("setup", "--name", "Ines", "--mark", "K7")
        pintle("enrol", server.address, server.code)
        pintle("machine", "add", "EX3")
        pintle("note", "EX3", "the bill", "--photo", str(bill))
        said = json.loads(pintle("sync", "--json"))
        expect("the document is brought after its entry", said["photos"]["brought"] == 1 and said["sent"] == 2)
        kept = {entry.key: entry.size for entry in bucket.objects.all()}
        expect("one object is there, and of its chunks nothing", list(kept.values()) == [bill.stat().st_size])
        expect("under the prefix that was set", all(key.startswith("north/") for key in kept))
        shutil.rmtree(f"{folder}/device/files")
        [photo] = json.loads(pintle("photos", "EX3", "--to", f"{folder}/out", "--json"))["photos"]
        expect("it comes back to the byte", pathlib.Path(photo["put"]).read_bytes() == bill.read_bytes())

        store.stop()
        bill.write_bytes(bill.read_bytes().replace(b"abc", b"xyz"))
        pintle("note", "EX3", "another bill", "--photo", str(bill))
        said = json.loads(pintle("sync", "--json"))
        expect("while the store is away entries go on", said["sent"] == 1 and said["outcome"] == "done")
        expect("and the document waits", said["photos"]["waiting"] == 1 and said["photos"]["brought"] == 0)


with tempfile.TemporaryDirectory() as folder:
    main(folder)

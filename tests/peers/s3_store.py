"""An S3-compatible store (moto of PyPI), and a client of it that shares no code with the relay (boto3).

    s3_store.py serve BUCKET        prints its port; ends when its standard input is closed
    s3_store.py list PORT BUCKET    prints each key with length, SHA-256 and metadata, as JSON
    s3_store.py get PORT BUCKET FOLDER
                                    the same, and each object as a file below the folder
    s3_store.py flip PORT BUCKET KEY
                                    turns a bit in the middle of an object
    s3_store.py put PORT BUCKET KEY TEXT
    s3_store.py uploads PORT BUCKET prints the number of uploads that nobody has ended
"""

import hashlib
import json
import logging
import os
import sys


def client(port):
    import boto3
    from botocore.config import Config

    return boto3.client(
        "s3",
        endpoint_url=f"http://127.0.0.1:{port}",
        region_name="us-east-1",
        aws_access_key_id="reader",
        aws_secret_access_key="another key",
        config=Config(s3={"addressing_style": "path"}),
    )


def serve(bucket):
    from moto.server import ThreadedMotoServer

    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    # What it says of itself does not belong between the port and whoever reads it.
    told, sys.stdout = sys.stdout, sys.stderr
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    _, port = server.get_host_and_port()
    client(port).create_bucket(Bucket=bucket)
    print(port, file=told, flush=True)
    sys.stdin.read()
    os._exit(0)


def objects(port, bucket, folder=None):
    store = client(port)
    found = {}
    for page in store.get_paginator("list_objects_v2").paginate(Bucket=bucket):
        for entry in page.get("Contents", []):
            key = entry["Key"]
            answer = store.get_object(Bucket=bucket, Key=key)
            body = answer["Body"].read()
            found[key] = {
                "bytes": len(body),
                "sha256": hashlib.sha256(body).hexdigest(),
                "metadata": answer["Metadata"],
            }
            if folder:
                path = os.path.join(folder, *key.split("/"))
                os.makedirs(os.path.dirname(path), exist_ok=True)
                with open(path, "wb") as file:
                    file.write(body)
    return found


def main():
    what, *rest = sys.argv[1:]
    if what == "serve":
        serve(*rest)
    elif what in ("list", "get"):
        json.dump(objects(*rest), sys.stdout)
    elif what == "flip":
        port, bucket, key = rest
        store = client(port)
        answer = store.get_object(Bucket=bucket, Key=key)
        body = bytearray(answer["Body"].read())
        body[len(body) // 2] ^= 4
        store.put_object(
            Bucket=bucket, Key=key, Body=bytes(body), Metadata=answer["Metadata"]
        )
    elif what == "put":
        port, bucket, key, text = rest
        client(port).put_object(Bucket=bucket, Key=key, Body=text.encode())
    elif what == "uploads":
        port, bucket = rest
        answer = client(port).list_multipart_uploads(Bucket=bucket)
        print(len(answer.get("Uploads", [])))
    else:
        sys.exit(__doc__)


main()

"""Calls the real server in every way its OpenAPI document allows, and in many it does not (schemathesis).

On SQLite, and on PostgreSQL where PINTLE_TEST_POSTGRES names one. With real data: a client enrols and syncs first, and in
most calls the machine and the share link are real ones. Promises: no answer of 500 or above, none with a status, media type,
header or body that the document does not name. The number of cases is bounded (PINTLE_CONTRACT_CASES for each operation);
seeds are fixed, so that a failure can be seen again. PINTLE_CONTRACT_ROUNDS goes over all of it so many times, each with
another seed, on what the rounds before have left behind.
"""
import itertools, json, os, pathlib, re, subprocess, sys, tempfile, time, urllib.error, urllib.parse, urllib.request, uuid
sys.path.insert(0, str(pathlib.Path(__file__).parent))
import client

SERVER = os.path.join(os.environ.get("PINTLE_TEST_BINARIES", "target/debug"), "pintle-server")
CASES = os.environ.get("PINTLE_CONTRACT_CASES", "15")
ROUNDS = int(os.environ.get("PINTLE_CONTRACT_ROUNDS", "1"))
SEED = 20260504
CHECKS = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance,response_headers_conformance"
READY_WITHIN_S = 60
# So that what answers is the endpoint and not its allowance.
WITHOUT_LIMITS = ",".join(
    f"{lane}.{payer}=60000000/60000000"
    for lane, payer in itertools.product(("sync", "token", "enrol", "read"), ("device", "address"))
    if (lane, payer) != ("enrol", "device")
)


def ready(log, process):
    """The address and the first code, once the server answers."""
    until = time.monotonic() + READY_WITHIN_S
    while time.monotonic() < until and process.poll() is None:
        if line := re.search(r"pintle enrol (\S+) (\S+)\n", log.read_text()):
            try:
                urllib.request.urlopen(line[1] + "/readyz", timeout=5).close()
                return line[1], line[2]
            except (urllib.error.URLError, ConnectionError, TimeoutError):
                pass
        time.sleep(0.05)
    sys.exit("check_contract: the server did not come up: " + log.read_text())


def filled(url, code):
    """A device that has recorded and synced, with a share link of its machine; who runs this is its owner."""
    device = client.Device(url, code)
    device.record("machine_added", {"name": "Loader", "serial": "LD-1", "site": "quarry road"})
    for hours in range(5):
        device.record("meter_read", {"reading": f"{100 + hours}.5"})
    device.record("task_done", {"task": "grease", "skipped": [{"point": "boom foot"}]}, words={"text": "mud"})
    device.record("finding_raised", {"sign": "crack", "urgency": "tagged out"})
    device.sync(device.exchange(), "accepted")
    return device


def real_ids(device, bearer, folder):
    """Settings with which most calls ask for what there is: a machine, and a link that is made anew for each round."""
    wish = json.dumps({"machine": device.machine, "days": 1, "shows": ["names", "words"]}).encode()
    link = device.ask("/v1/shares", {"Authorization": bearer}, wish)[1]["link"]
    settings = folder / "schemathesis.toml"
    values = {"machine": device.machine, "link": link}
    settings.write_text(
        "".join(f'[dictionaries.{name}]\nvalues = ["{value}"]\n' for name, value in values.items())
        + "[parameters]\n"
        + "".join(f'"path.{name}" = {{ dictionary = "{name}", probability = 0.7 }}\n' for name in values)
    )
    return settings


def call_round(url, device, number, folder):
    """Calls everything once, with a token of its own: one lives for 15 minutes. Gives what to show if it failed."""
    device.sync(device.exchange(), "none")  # tells the time, by which the token is asked for
    bearer = "Bearer " + device.token()
    program = [str(pathlib.Path(sys.executable).with_name("st")), "--config-file", str(real_ids(device, bearer, folder))]
    bounds = ["--max-examples", CASES, "--seed", str(SEED + number), "--workers", "1", "--phases", "examples,coverage,fuzzing"]
    quiet = ["--warnings", "off", "--no-color", "--continue-on-failure", "--request-timeout", "30"]
    arguments = ["run", url + "/openapi.json", "--checks", CHECKS, *bounds, *quiet, "-H", "Authorization: " + bearer]
    ran = subprocess.run(program + arguments, cwd=folder, capture_output=True, text=True)
    tally = re.search(r"Test cases:\s*\n\s*([^\n]*)", ran.stdout)
    if ran.returncode != 0 or not tally:
        sys.exit(f"check_contract: round {number}: {ran.stdout[-6000:]}{ran.stderr[-2000:]}")
    return tally[1]


def call_all(name, database, folder):
    log = folder / f"{name}.log"
    with log.open("w") as out:
        arguments = [SERVER, "--listen", "127.0.0.1:0", "--database", database, "--organisation", "Gravel crew"]
        arguments += ["--rate", WITHOUT_LIMITS]
        server = subprocess.Popen(arguments, stdout=out, stderr=subprocess.STDOUT)
    try:
        url, code = ready(log, server)
        device = filled(url, code)
        for number in range(ROUNDS):
            tally = call_round(url, device, number, folder)
            if server.poll() is not None:
                sys.exit(f"check_contract: on {name} the server has ended: {log.read_text()[-2000:]}")
            print(f"ok: every call on {name} was answered as documented: {tally}", flush=True)
    finally:
        server.terminate()
        server.wait()


def main():
    with tempfile.TemporaryDirectory(prefix="pintle-contract.") as folder:
        folder = pathlib.Path(folder)
        call_all("SQLite", f"sqlite:{folder}/ledger.db?mode=rwc", folder)
        if postgres := os.environ.get("PINTLE_TEST_POSTGRES"):
            database = "contract_" + uuid.uuid4().hex
            subprocess.run(["psql", "-q", postgres, "-c", f"CREATE DATABASE {database}"], check=True)
            try:
                call_all("PostgreSQL", urllib.parse.urlsplit(postgres)._replace(path="/" + database).geturl(), folder)
            finally:
                subprocess.run(["psql", "-q", postgres, "-c", f"DROP DATABASE {database} WITH (FORCE)"], check=True)


main()

"""Reads Kubernetes manifests and holds each object against its published schema.

    check_manifests.py FILE... [--configuration FILE]

Kubernetes' own objects by the strict schemas that kubernetes-validate (PyPI) ships, those of the Prometheus operator by the
models that cloudcoil-models-prometheus-operator (PyPI) makes of its custom resource definitions: what is not known there is
an error. Beyond the schemas: names that objects have of each other must be there. With --configuration the first
`forebay.toml` of a ConfigMap is written to that file. Prints one JSON line: the kinds that were seen.
"""

import json
import sys

import kubernetes_validate
import yaml
from cloudcoil.models.prometheus_operator import v1 as operator

VERSION = "1.33"


def lost(given, kept, path=""):
    """Paths of what a model did not know."""
    if isinstance(given, dict):
        for key, value in given.items():
            where = f"{path}.{key}"
            if not isinstance(kept, dict) or key not in kept:
                yield where
            else:
                yield from lost(value, kept[key], where)
    elif isinstance(given, list):
        for index, value in enumerate(given):
            yield from lost(value, kept[index], f"{path}[{index}]")


def check_schema(thing):
    if thing["apiVersion"] == "monitoring.coreos.com/v1":
        model = getattr(operator, thing["kind"]).model_validate(thing)
        kept = model.model_dump(mode="json", by_alias=True, exclude_unset=True)
        unknown = list(lost(thing, kept))
        if unknown:
            sys.exit(f"{thing['kind']}: not known: {', '.join(unknown)}")
    else:
        kubernetes_validate.validate(thing, VERSION, strict=True)


def check_names(things):
    """What one object names, another must be; secrets alone come from elsewhere."""
    there = {(thing["kind"], thing["metadata"]["name"]) for thing in things}

    def must(kind, name):
        if (kind, name) not in there:
            sys.exit(f"there is no {kind} {name}")

    for thing in things:
        spec = thing.get("spec", {})
        if thing["kind"] == "RoleBinding":
            must("Role", thing["roleRef"]["name"])
            for subject in thing["subjects"]:
                must(subject["kind"], subject["name"])
        if thing["kind"] == "StatefulSet":
            must("Service", spec["serviceName"])
            pod = spec["template"]["spec"]
            must("ServiceAccount", pod["serviceAccountName"])
            if spec["selector"]["matchLabels"] != spec["template"]["metadata"]["labels"]:
                sys.exit("the StatefulSet does not select its own pods")
            volumes = {volume["name"] for volume in pod["volumes"]}
            volumes |= {claim["metadata"]["name"] for claim in spec["volumeClaimTemplates"]}
            for volume in pod["volumes"]:
                if "configMap" in volume:
                    must("ConfigMap", volume["configMap"]["name"])
                if "persistentVolumeClaim" in volume:
                    must("PersistentVolumeClaim", volume["persistentVolumeClaim"]["claimName"])
            for container in pod["containers"]:
                mounted = {mount["name"] for mount in container["volumeMounts"]}
                if mounted != volumes:
                    sys.exit(f"volumes {sorted(volumes)}, mounted {sorted(mounted)}")
                ports = {port["name"] for port in container["ports"]}
                for probe in ("startupProbe", "livenessProbe", "readinessProbe"):
                    if container[probe]["httpGet"]["port"] not in ports:
                        sys.exit(f"{probe}: no such port")
                check_lease(things, container["args"])


def check_lease(things, arguments):
    """The role lets it have the very lease that it is started for."""
    name = arguments[arguments.index("--lease") + 1].partition(":")[2]
    rules = [rule for thing in things if thing["kind"] == "Role" for rule in thing["rules"]]
    named = [rule["verbs"] for rule in rules if rule.get("resourceNames") == [name]]
    if not any({"get", "update"} <= set(verbs) for verbs in named):
        sys.exit(f"the role does not let the relay have the lease {name}")


def main():
    files = sys.argv[1:]
    target = None
    if "--configuration" in files:
        at = files.index("--configuration")
        target = files[at + 1]
        del files[at : at + 2]
    things = []
    for file in files:
        with open(file, encoding="utf-8") as text:
            things += [thing for thing in yaml.safe_load_all(text) if thing]
    for thing in things:
        check_schema(thing)
    check_names(things)
    if target:
        maps = [thing for thing in things if thing["kind"] == "ConfigMap"]
        with open(target, "w", encoding="utf-8") as out:
            out.write(maps[0]["data"]["forebay.toml"])
    print(json.dumps(sorted(thing["kind"] for thing in things)))


main()

"""Landmark and detector networks behind one small interface, with OpenVINO first and LiteRT as the fallback.

Both runtimes execute the same unchanged weight files in 32-bit floats, so their results agree to rounding. The segmentation
output of the landmark network is cut away; the heat maps are kept, because reading the landmarks off them is worth
several millimetres (see ``landmarker``).
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from midstance.errors import RuntimeMissingError

Arrays = dict[str, NDArray[np.float32]]
NetworkName = Literal["landmarks", "detector"]
RuntimeName = Literal["openvino", "litert"]

#: Weight files with their SHA-256, checked at load: a damaged file must not measure anybody.
WEIGHTS: dict[NetworkName, tuple[str, str]] = {
    "landmarks": ("pose_landmark_heavy.tflite", "59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe"),
    "detector": ("pose_detection.tflite", "a63c614bef30d35947f13be361820b1e4e3bec9cfeebf4d11216a18373108e85"),
}
#: Outputs that are used, by their name in the weight file.
OUTPUTS: dict[NetworkName, dict[str, str]] = {
    "landmarks": {"Identity": "points", "Identity_1": "presence", "Identity_3": "heat"},
    "detector": {"Identity": "boxes", "Identity_1": "scores"},
}


class Network(Protocol):
    """A network that maps one (1, H, W, 3) float32 RGB picture to named arrays."""

    runtime: str

    def run(self, picture: NDArray[np.float32]) -> Arrays:
        """Run one picture and wait for the result."""
        ...

    def run_many(self, pictures: Iterable[NDArray[np.float32]]) -> Iterator[Arrays]:
        """Run pictures in order, several at a time; yields results in the same order."""
        ...


def worker_count() -> int:
    """Return the number of processor cores this process may use."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:  # not on every platform
        return max(1, os.cpu_count() or 1)


def weight_file(name: NetworkName) -> Path:
    """Return the path of a weight file after checking its SHA-256."""
    file_name, wanted = WEIGHTS[name]
    path = Path(str(resources.files("midstance.pose") / "weights" / file_name))
    if not path.is_file():
        raise RuntimeMissingError(
            "the landmark weights are not there",
            where=str(path),
            next_step="install the package again; the weights are part of it",
        )
    got = hashlib.sha256(path.read_bytes()).hexdigest()
    if got != wanted:
        raise RuntimeMissingError(
            f"the landmark weights are damaged (SHA-256 {got[:12]}…, expected {wanted[:12]}…)",
            where=str(path),
            next_step="install the package again",
        )
    return path


def _openvino() -> Any:
    """Import OpenVINO without the package that reports each import to its maker: nothing may leave the machine.

    OpenVINO does without it when it can't be imported, and a name that is None in ``sys.modules`` can't.
    """
    sys.modules.setdefault("openvino_telemetry", None)  # type: ignore[arg-type]
    import openvino

    return openvino


class OpenVinoNetwork:
    """A network on OpenVINO's CPU plug-in, f32, one stream per core so that pictures run side by side."""

    runtime = "openvino"

    def __init__(self, name: NetworkName, precision: Literal["f32", "bf16"] = "f32") -> None:
        ov = _openvino()
        core = ov.Core()
        model = core.read_model(str(weight_file(name)))
        self._wanted = OUTPUTS[name]
        kept = [o for o in model.outputs if o.get_any_name() in self._wanted]
        model = ov.Model([o.get_node().input_value(0) for o in kept], model.get_parameters(), name)
        # The names go with the results that were cut away, so the order of `kept` is the key from here on.
        self._names = [self._wanted[o.get_any_name()] for o in kept]
        self._compiled = core.compile_model(
            model,
            "CPU",
            {
                "INFERENCE_PRECISION_HINT": precision,
                "NUM_STREAMS": str(worker_count()),
                "INFERENCE_NUM_THREADS": str(worker_count()),
                "PERFORMANCE_HINT": "THROUGHPUT",
            },
        )
        self._request = self._compiled.create_infer_request()

    def run(self, picture: NDArray[np.float32]) -> Arrays:
        result = self._request.infer([picture])
        return {n: np.array(result[i]) for i, n in enumerate(self._names)}

    def run_many(self, pictures: Iterable[NDArray[np.float32]]) -> Iterator[Arrays]:
        requests = [self._compiled.create_infer_request() for _ in range(worker_count() + 1)]

        def collect(request: Any) -> Arrays:
            request.wait()
            return {n: np.array(request.get_output_tensor(i).data) for i, n in enumerate(self._names)}

        waiting: list[Any] = []
        for picture in pictures:
            if len(waiting) == len(requests):
                oldest = waiting.pop(0)
                yield collect(oldest)
                request = oldest
            else:
                request = requests[len(waiting)]
            request.start_async([picture])
            waiting.append(request)
        for request in waiting:
            yield collect(request)


class LiteRtNetwork:
    """The same network on LiteRT: slower, but runs where OpenVINO is not to be had."""

    runtime = "litert"

    def __init__(self, name: NetworkName) -> None:
        from ai_edge_litert.interpreter import Interpreter

        self._wanted = OUTPUTS[name]

        def make() -> Any:
            interpreter = Interpreter(model_path=str(weight_file(name)), num_threads=1)
            interpreter.allocate_tensors()
            return interpreter

        self._interpreters = [make() for _ in range(worker_count())]

    def _run_on(self, interpreter: Any, picture: NDArray[np.float32]) -> Arrays:
        interpreter.set_tensor(interpreter.get_input_details()[0]["index"], picture)
        interpreter.invoke()
        found: Arrays = {}
        for detail in interpreter.get_output_details():
            name = self._wanted.get(_identity(detail["name"]))
            if name:
                found[name] = np.array(interpreter.get_tensor(detail["index"]))
        return found

    def run(self, picture: NDArray[np.float32]) -> Arrays:
        return self._run_on(self._interpreters[0], picture)

    def run_many(self, pictures: Iterable[NDArray[np.float32]]) -> Iterator[Arrays]:
        free = list(self._interpreters)
        with ThreadPoolExecutor(len(free)) as pool:
            waiting: list[tuple[Any, Any]] = []
            for picture in pictures:
                if not free:
                    interpreter, job = waiting.pop(0)
                    yield job.result()
                    free.append(interpreter)
                interpreter = free.pop()
                waiting.append((interpreter, pool.submit(self._run_on, interpreter, picture)))
            for _, job in waiting:
                yield job.result()


def _identity(tensor_name: str) -> str:
    """Return the ``Identity…`` part of a tensor name such as ``StatefulPartitionedCall:Identity_1``."""
    return next((p for p in tensor_name.replace(";", ":").split(":") if p.startswith("Identity")), tensor_name)


def load_network(name: NetworkName, runtime: RuntimeName | None = None, precision: str = "f32") -> Network:
    """Load a network on the first runtime that works, or on the one named.

    Raises ``RuntimeMissingError`` naming what was tried when none can be loaded.
    """
    makers: dict[RuntimeName, Callable[[], Network]] = {
        "openvino": lambda: OpenVinoNetwork(name, "bf16" if precision == "bf16" else "f32"),
        "litert": lambda: LiteRtNetwork(name),
    }
    tried = []
    for key in [runtime] if runtime else list(makers):
        try:
            return makers[key]()
        except ImportError as error:
            tried.append(f"{key}: {error}")
    raise RuntimeMissingError(
        "no landmark runtime could be loaded",
        where="; ".join(tried),
        allowed="openvino or ai-edge-litert",
        next_step="pip install openvino, or pip install 'midstance[litert]'",
    )


@lru_cache(maxsize=4)
def shared_network(name: NetworkName, runtime: RuntimeName | None = None) -> Network:
    """Return a network that is loaded once for each process."""
    return load_network(name, runtime)

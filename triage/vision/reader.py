"""Read looks in photos: likelihoods over visual calls, tempered, never zero, blind to what cannot be seen."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import torch
from PIL import Image
from torch import Tensor

from triage.records import PhotoEvidence, Species, VisualCall
from triage.species.hiding import perceived
from triage.species.shipped import ReaderFiles
from triage.vision.critic import LookEncoder
from triage.vision.crop import MARGIN, MASK_THRESHOLD, WIDE_ENOUGH, boxes_of
from triage.vision.fingerprint import fingerprint
from triage.vision.intake import Photo
from triage.vision.likelihood import (
    Calibration,
    divide_out_training_mix,
    joint_log_likelihood,
)
from triage.vision.network import Outputs, fuse
from triage.vision.pace import Pace
from triage.vision.vocabulary import Call, Vocabulary
from triage.vision.weights import ModelFiles, load_model

#: Until a keeper has confirmed photos of their own, photo readings are believed this much and no more.
CAUTIOUS = "cautious"
TRAINING_DOMAIN = "training domain"
#: The box of a whole photo: (left, top, side) in shares of its longer side.
WHOLE = (0.0, 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class PhotoReading:
    """What the model saw in one photo.

    `ratios` float64 (n_total,): log P(photo | look) per class, up to a constant per locus. `stages`: probability by
    stage. `animal_share`: share of the photo covered by the animal. `visible_share`: estimated share of the body seen.
    `box`: the square that was read, (left, top, side) in shares of the photo's longer side, of the photo padded to a
    square. `attention` float32 (n_loci, g, g): where in that square each locus was looked for; rows sum to 1.
    `mask` float32 (h, h): probability that a place of the whole padded photo shows the animal. `features` float32 (1280,):
    the network's pooled features, for the gate. `company`: log-odds of a second animal in the whole photo.
    `weights`: short name of the weights that read it. `shot`: fingerprint of what it shows.
    """

    name: str
    ratios: np.ndarray = field(repr=False)
    pairs: np.ndarray = field(repr=False)
    embedding: np.ndarray = field(repr=False)
    critic: np.ndarray = field(repr=False)
    encoder: LookEncoder | None = field(repr=False)
    vocabulary: Vocabulary = field(repr=False)
    calibration: Calibration
    stages: dict[str, float]
    animal_share: float
    visible_share: float
    box: tuple[float, float, float]
    attention: np.ndarray = field(repr=False)
    mask: np.ndarray = field(repr=False)
    features: np.ndarray = field(repr=False)
    company: float
    weights: str = ""
    shot: str = ""

    def raw_log_likelihoods(self, calls: Sequence[Call]) -> np.ndarray:
        """log P(photo | look) up to a constant, float64 (n_calls,), each part as far as it is trusted, before tempering."""
        codes = torch.from_numpy(self.vocabulary.encode(calls))
        trusted, together = self.calibration.of_classes(self.vocabulary.n_classes), self.calibration.together
        joint = joint_log_likelihood(
            torch.from_numpy(self.ratios * trusted)[None],
            torch.from_numpy(self.pairs * together)[None],
            torch.from_numpy(self.embedding),
            codes,
            torch.tensor(self.vocabulary.offsets),
            torch.from_numpy(self.critic * together)[None],
            self.encoder,
        )
        return joint[0].detach().numpy()

    def evidence(self, calls: Sequence[VisualCall], species: Species) -> PhotoEvidence:
        """What the photo says of each visual call of a species, as far as it is trusted.

        Calls that no photo can tell apart get the same value, and a gene that cannot be seen is in no call, so it cannot enter; nor
        can one that the animal's own look hides.
        A look that the model never learnt gets no evidence for or against: at a locus it does not know the call is read as
        without it, at one it knows as the average over the looks learnt there.
        """
        spread = []
        for call in calls:
            seen = [(self.vocabulary.projected(one), p) for one, p in perceived(species, call)]
            spread.append([(one, np.log(p / len(some))) for some, p in seen for one in some])
        known = list(dict.fromkeys(one for some in spread for one, _ in some))
        raw = dict(zip(known, self.calibration.beta * self.raw_log_likelihoods(known), strict=True))
        logs = {
            call: float(np.logaddexp.reduce([raw[one] + share for one, share in some])) for call, some in zip(calls, spread, strict=True)
        }
        calibration = self.calibration
        return PhotoEvidence(logs, calibration.eps, calibration.photo_exponent, calibration.shortlist, self.weights, self.shot)


class PhotoReader:
    """The photo model, loaded once and read many times."""

    def __init__(self, files: ModelFiles, calibration: str = CAUTIOUS) -> None:
        self.vocabulary = files.vocabulary
        self.sidecar = files.sidecar
        self.calibration = files.calibrations[calibration]
        self.shortlist = self.calibration.shortlist
        self._stages = files.stages
        self._log_mix = files.log_mix
        self._network = fuse(files.network)
        self._pace = Pace()
        self._embedding = files.network.pair_embedding.detach().double().numpy()
        encoder = files.network.look_encoder
        self._encoder = None if encoder is None else copy.deepcopy(encoder).double().requires_grad_(False)

    @classmethod
    def load(
        cls, models_directory: Path | None = None, names: ReaderFiles | None = None, *, calibration: str = CAUTIOUS
    ) -> PhotoReader:
        """Read weights and sidecar, the shipped ones of the usual species unless others are given; nothing is downloaded.

        `calibration`: "cautious" until a keeper's own photos confirm the model, or "training domain" for renders.
        ModelFileError if files are missing, damaged or do not belong together.
        """
        return cls(load_model(models_directory, names), calibration)

    @property
    def input_px(self) -> int:
        return self._network.shape.input_px

    @property
    def looking_px(self) -> int:
        """Side of what the network is shown to find the animal and its company."""
        return self._network.shape.looking_px

    def read(self, photos: Sequence[Photo], *, batch: int = 16) -> list[PhotoReading]:
        """Readings of photos, in order. A photo's reading does not depend on the others beyond float rounding."""
        readings: list[PhotoReading] = []
        for start in range(0, len(photos), batch):
            readings += self._read_batch(photos[start : start + batch])
        return readings

    def unlearnt(self, calls: Sequence[VisualCall]) -> tuple[str, ...]:
        """Look words of some calls that the model never learnt, each once."""
        return self.vocabulary.unlearnt(calls)

    def read_square(self, pixels: Tensor) -> Outputs:
        """Network outputs of prepared squares float32 (B, 3, px, px): the golden photo is checked here."""
        with torch.inference_mode(), self._pace.kept(len(pixels) * pixels.shape[-1] ** 2):
            return self._network(pixels.contiguous(memory_format=torch.channels_last))

    def log_likelihoods_of_codes(self, pixels: Tensor, codes: Tensor) -> Tensor:
        """As `PhotoReading.raw_log_likelihoods`, (B, n), of squares (B, 3, px, px) and classes (n, n_loci)."""
        outputs = self.read_square(pixels)
        n_classes, together = self.vocabulary.n_classes, self.calibration.together
        ratios = divide_out_training_mix(outputs.looks, self._log_mix.float(), n_classes)
        ratios = ratios * torch.from_numpy(self.calibration.of_classes(n_classes)).float()
        outputs = replace(outputs, pairs=outputs.pairs * together, critic=outputs.critic * together)
        offsets = torch.tensor(self.vocabulary.offsets)
        with torch.inference_mode():
            return self._network.joint(ratios, outputs, codes, offsets)

    def _read_batch(self, photos: Sequence[Photo]) -> list[PhotoReading]:
        squares = [padded_square(photo) for photo in photos]
        first = self.read_square(_sampled(squares, [WHOLE] * len(squares), self.looking_px))
        masks = first.mask.sigmoid()
        found = [corner_box(row) for row in boxes_of(masks, MARGIN).tolist()]
        boxes = [box if box[2] < WIDE_ENOUGH else WHOLE for box in found]
        outputs = self.read_square(_sampled(squares, boxes, self.input_px))
        pairs, stage, visible, attention = outputs.pairs, outputs.stage, outputs.visible, outputs.attention
        ratios = divide_out_training_mix(outputs.looks.double(), self._log_mix, self.vocabulary.n_classes).numpy()
        readings = []
        for row, photo in enumerate(photos):
            side = round(attention.shape[2] ** 0.5)
            height, width = photo.pixels.shape[:2]
            padding = max(height, width) ** 2 / (height * width)
            readings.append(
                PhotoReading(
                    name=photo.name,
                    ratios=ratios[row],
                    pairs=pairs[row].double().numpy(),
                    embedding=self._embedding,
                    critic=outputs.critic[row].double().numpy(),
                    encoder=self._encoder,
                    vocabulary=self.vocabulary,
                    calibration=self.calibration,
                    stages=dict(zip(self._stages, stage[row].softmax(0).tolist(), strict=True)),
                    animal_share=float((masks[row] >= MASK_THRESHOLD).float().mean()) * padding,
                    visible_share=float(visible[row].sigmoid()),
                    box=boxes[row],
                    attention=attention[row].reshape(-1, side, side).numpy(),
                    mask=masks[row, 0].numpy(),
                    features=outputs.features[row].numpy(),
                    company=float(first.company[row]),
                    weights=str(self.sidecar["sha256"])[:12],
                    shot=fingerprint(squares[row], masks[row, 0].numpy()),
                )
            )
        return readings


def _sampled(squares: Sequence[Image.Image], boxes: Sequence[tuple[float, float, float]], px: int) -> Tensor:
    """`sample` of each square and its box, float32 (B, 3, px, px) with channels last, on as many threads as torch may use."""
    with ThreadPoolExecutor(torch.get_num_threads()) as pool:
        resized = list(pool.map(lambda one: _resized(*one, px), zip(squares, boxes, strict=True)))
    return torch.from_numpy(np.stack(resized)).permute(0, 3, 1, 2).float() / 255


def use_one_thread() -> None:
    """For a worker process that has one core."""
    torch.set_num_threads(1)


def padded_square(photo: Photo) -> Image.Image:
    """The photo in the middle of a square, on the mean colour of its edge."""
    height, width = photo.pixels.shape[:2]
    if height == width:
        return photo.to_image()
    edge = np.concatenate([photo.pixels[0], photo.pixels[-1], photo.pixels[:, 0], photo.pixels[:, -1]])
    side = max(height, width)
    square = Image.new("RGB", (side, side), tuple(int(v) for v in edge.mean(0).round()))
    square.paste(photo.to_image(), ((side - width) // 2, (side - height) // 2))
    return square


def corner_box(centre_box: Sequence[float]) -> tuple[float, float, float]:
    """(centre x, centre y, side) to (left, top, side), moved and shrunk to lie within the frame."""
    x, y, side = centre_box
    side = min(side, 1.0)
    left = min(max(x - side / 2, 0.0), 1.0 - side)
    top = min(max(y - side / 2, 0.0), 1.0 - side)
    return (left, top, side)


def sample(square: Image.Image, box: tuple[float, float, float], px: int) -> Tensor:
    """Cut and resample to float32 (3, px, px) in 0..1, smoothing where the source is finer."""
    return torch.from_numpy(_resized(square, box, px)).permute(2, 0, 1).float() / 255


def _resized(square: Image.Image, box: tuple[float, float, float], px: int) -> np.ndarray:
    """As `sample`, uint8 (px, px, 3)."""
    left, top, side = (value * square.width for value in box)
    box = (left, top, left + side, top + side)
    return np.array(square.resize((px, px), Image.Resampling.BILINEAR, box=box, reducing_gap=3.0))

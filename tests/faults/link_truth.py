"""What a record must say of the link, worked out from the rig's log alone: which frames it sent in which order, and which of
them the line carried whole."""

# Faults of which a frame never went out, so that it takes none with it that is held back.
UNSENT = ("missing", "no-room", "unplugged", "severed", "mute")


class Line:
    """The frames of one rig, by sequence number. Short studies: no number comes twice."""

    def __init__(self, account):
        self.account = account
        self.arrived = {}
        self.held = set()
        for entry in account.log:
            if entry["what"] != "fault" or "sequence" not in entry:
                continue  # a moment, or a frame of the host
            sequence = entry["sequence"]
            self.arrived[sequence] = max(self.arrived.get(sequence, 0), entry["arrived"])
            if entry["fault"] == "reordered":
                self.held.add(sequence)
        self.configured = [(entry["sequence"], entry["rate_hz"]) for entry in account.log if entry["what"] == "configured"]
        self.unsent = {entry["sequence"] for entry in account.log
                       if entry["what"] == "fault" and "sequence" in entry and entry["fault"] in UNSENT}

    def copies(self, sequence):
        return self.arrived.get(sequence, 1)

    def arrivals(self, first, last):
        """Sequence numbers in the order in which whole frames come out of the line."""
        waiting = None
        for sequence in range(first, last + 1):
            if sequence in self.held and waiting is None:
                waiting = sequence
                continue
            if sequence in self.unsent:
                continue
            for _ in range(self.copies(sequence)):
                yield sequence
            if waiting is not None:
                for _ in range(self.copies(waiting)):
                    yield waiting
                waiting = None

    def window(self, first_row_sequence):
        """Of the run with that sample frame: number of the acknowledgement that began it, that which ended it, and the
        last frame that may still have come in with the latter. None where the log does not show them."""
        begin = max((n for n, rate in self.configured if rate and n < first_row_sequence), default=None)
        end = next((n for n, rate in self.configured if not rate and n > first_row_sequence and self.copies(n)), None)
        if begin is None or end is None:
            return None
        after = next((n for n, _ in self.configured if n > end), end + 2)
        return begin, end, after - 1

    def expect(self, first_row_sequence):
        """Counts of the run, each as (least, greatest), and the numbers of the sample frames that it could use."""
        window = self.window(first_row_sequence)
        if window is None:
            return None
        begin, end, after = window
        counts = {"frames_missing": 0, "gaps": 0, "frames_repeated": 0, "frames_late": 0}
        least = None
        usable = set()
        seen = set()
        newest = None
        counting = False
        missing = set()
        for sequence in self.arrivals(begin - 3, after):
            if newest is None or sequence > newest:
                ahead = set() if newest is None else set(range(newest + 1, sequence))
                if counting and ahead:
                    counts["frames_missing"] += len(ahead)
                    counts["gaps"] += 1
                    missing |= ahead
                newest = sequence
                if counting and least is None:
                    usable.add(sequence)
            elif sequence in seen:
                counts["frames_repeated"] += counting
            elif sequence in missing:
                counts["frames_late"] += counting
            if sequence == begin and sequence not in seen:
                counting = True
                counts = dict.fromkeys(counts, 0)
                missing = set()
                usable = set()
            if sequence == end and sequence not in seen:
                least = dict(counts)
            seen.add(sequence)
        if least is None:
            return None
        return {name: (least[name], counts[name]) for name in counts}, usable


def check_run(line, number, record, indices, tell):
    """The record of a run that came to its own end, against the truth. 1 where it could be held against it, else 0."""
    samples = line.account.samples
    if not indices:
        return 0
    expected = line.expect(samples[indices[0]][2])
    if expected is None:
        return 0
    counts, usable = expected
    told = {"frames_missing": record["frames_missing"], "gaps": record["gaps"], **{
        name: record["link"][name] for name in ("frames_repeated", "frames_late")}}
    for name, (least, greatest) in counts.items():
        if not least <= told[name] <= greatest:
            tell(f"run {number}: {name} is {told[name]}, the truth is {least}" +
                 (f" to {greatest}" if greatest != least else ""))
    wanted = [i for i in range(indices[0], indices[-1] + 1) if samples[i][2] in usable]
    if wanted != indices:
        odd = sorted(set(wanted) ^ set(indices))
        tell(f"run {number}: {len(odd)} rows are not those of the frames that arrived, first of frame {samples[odd[0]][2]}")
    before = [i for i in range(max(0, indices[0] - 200), indices[0]) if samples[i][2] in usable]
    after = [i for i in range(indices[-1] + 1, min(len(samples), indices[-1] + 200)) if samples[i][2] in usable]
    if before or after:
        tell(f"run {number}: {len(before)} samples before the first row and {len(after)} after the last arrived and are no rows")
    missing = indices[-1] - indices[0] + 1 - len(indices)
    link = record["link"]
    if link["samples_missing"] != missing:
        tell(f"run {number}: samples_missing is {link['samples_missing']}, the truth is {missing}")
    if sum(gap["frames"] for gap in link["gaps"]) != record["frames_missing"] or \
            sum(gap["places"] for gap in link["gaps"]) != record["gaps"] or \
            sum(gap["samples"] for gap in link["gaps"]) != link["samples_missing"]:
        tell(f"run {number}: its list of gaps does not add up")
    if link["samples_backward"]:
        tell(f"run {number}: {link['samples_backward']} samples ran backward")
    return 1

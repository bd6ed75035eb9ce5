"""Blocks of samples as rows that a test can compare."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from connectors.base import Sample, SampleBlock, SourceQuality, SourceReason

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def samples_of(block: SampleBlock) -> list[Sample]:
    return [
        Sample(
            address=block.addresses[block.address_index[i]],
            time=EPOCH + timedelta(microseconds=int(block.time_us[i])),
            value=float(block.value[i]),
            quality=SourceQuality(int(block.quality[i])),
            reason=SourceReason(int(block.reason[i])),
        )
        for i in range(len(block))
    ]

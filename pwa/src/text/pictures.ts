/** Sentences of pictures: attaching one, covering names, measuring on it. */
import { midSentence, reasons, say, withMore, words } from './say';

const said = words('pictures');

export const pictures = withMore(said, {
  /** Why a picture is struck; the id of each is kept with the act. */
  reasons: reasons('pictures.reasons', said.reasons),
  measuredOnStruck: (label: string, axis: string) =>
    say('pictures.measuredOnStruck', { label, axis: midSentence(axis) }),
  covers: (count: number) => say('pictures.covers', { count }),
  alt: (when: string) => say('pictures.alt', { when }),
  size: (width: number, height: number) => say('pictures.size', { width, height }),
});

export const measureWords = withMore(words('measure'), {
  length: (length: string, error: string) => say('measure.length', { length, error }),
  take: (axis: string, label: string) => say('measure.take', { axis, label }),
  taken: (axis: string, label: string, length: string) =>
    say('measure.taken', { axis: midSentence(axis), label, length }),
  originStays: (label: string, origin: string) => say('measure.originStays', { label, origin }),
  see: (label: string, axis: string) => say('measure.see', { label, axis: midSentence(axis) }),
});

/** Reads codes in pictures: the options of the reader, and the text as the rules take it. */
import { type ReaderOptions, readBarcodes } from 'zxing-wasm/reader';

/** The symbologies in which GS1 and HIBC codes of devices are printed. */
export const READER_OPTIONS: ReaderOptions = {
  // HIBC begins with "+", which extended Code 39 would take for the shift of the next letter.
  formats: ['DataMatrix', 'Code128', 'Code39Std', 'QRCode'],
  tryHarder: true,
  tryRotate: true,
  tryInvert: true,
  tryDownscale: true,
  tryDenoise: true,
  maxNumberOfSymbols: 8,
  // FNC1 as U+001D, nothing made readable.
  textMode: 'Plain',
};

/** Return the codes of a picture: symbology identifier (ISO/IEC 15424), then the text. */
export async function readPicture(picture: ImageData): Promise<string[]> {
  const found = await readBarcodes(picture, READER_OPTIONS);
  return found
    .filter(({ isValid, text }) => isValid && text !== '')
    .map(({ symbologyIdentifier, text }) => symbologyIdentifier + text);
}

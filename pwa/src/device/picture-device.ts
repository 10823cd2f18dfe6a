/** Camera and canvas of the browser: pictures are drawn again, so that only their pixels are left. */
import type { FitPicture, PictureDevice } from '../ports';
import { tell } from '../told';

const MAX_BYTES = 8 * 1024 * 1024;
/** Tried in turn until the picture is small enough. */
const QUALITIES = [0.92, 0.8, 0.6];
const COVER = '#000';

export const browserPictures: PictureDevice = {
  async openCamera(wishedPx) {
    try {
      const stream = await navigator.mediaDevices.getUserMedia({
        audio: false,
        video: { facingMode: 'environment', width: { ideal: wishedPx } },
      });
      return {
        stream,
        close: () => {
          for (const track of stream.getTracks()) track.stop();
        },
      };
    } catch {
      // Not allowed, not there, or a page without a secure address.
      return null;
    }
  },

  drawVideo(video, sizeFor) {
    return draw(video, video.videoWidth, video.videoHeight, sizeFor);
  },

  async drawFile(file, sizeFor) {
    try {
      const bitmap = await createImageBitmap(file);
      const canvas = draw(bitmap, bitmap.width, bitmap.height, sizeFor);
      bitmap.close();
      return canvas;
    } catch {
      return null;
    }
  },

  chooseFile() {
    return new Promise((resolve) => {
      // Never in the page: it would be a field that a keyboard could open on.
      const input = document.createElement('input');
      input.type = 'file';
      input.accept = 'image/jpeg,image/png';
      input.addEventListener('change', () => resolve(input.files?.[0] ?? null));
      input.addEventListener('cancel', () => resolve(null));
      input.click();
    });
  },

  async write(canvas, covers, wantsPng) {
    const covered = draw(canvas, canvas.width, canvas.height, (size) => size);
    const pen = penOf(covered);
    pen.fillStyle = COVER;
    for (const { x, y, width, height } of covers) pen.fillRect(x, y, width, height);
    if (wantsPng) {
      const bytes = await encode(covered, 'image/png');
      if (bytes !== null && bytes.length <= MAX_BYTES) return bytes;
    }
    for (const quality of QUALITIES) {
      const bytes = await encode(covered, 'image/jpeg', quality);
      if (bytes !== null && bytes.length <= MAX_BYTES) return bytes;
    }
    return null;
  },
};

function draw(
  source: CanvasImageSource,
  width: number,
  height: number,
  sizeFor: FitPicture,
): HTMLCanvasElement {
  const canvas = document.createElement('canvas');
  Object.assign(canvas, sizeFor({ width, height }));
  const pen = penOf(canvas);
  // A clear part of a PNG would come out black in a JPEG.
  pen.fillStyle = '#fff';
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.drawImage(source, 0, 0, canvas.width, canvas.height);
  return canvas;
}

function penOf(canvas: HTMLCanvasElement): CanvasRenderingContext2D {
  const pen = canvas.getContext('2d');
  if (pen === null) throw new Error(tell('noDrawing'));
  return pen;
}

function encode(
  canvas: HTMLCanvasElement,
  type: string,
  quality?: number,
): Promise<Uint8Array<ArrayBuffer> | null> {
  return new Promise((resolve) => {
    canvas.toBlob(
      (blob) => {
        if (blob === null) resolve(null);
        else void blob.arrayBuffer().then((content) => resolve(new Uint8Array(content)));
      },
      type,
      quality,
    );
  });
}

// A photo made small enough to send: the right way up, its long side at most 2048 pixels, and a small one for lists. Nothing leaves the browser but
// pixels, so neither does the place that a phone writes into its photos; the station looks once more.

export interface Shrunk {
  whole: Blob;
  /** Not there where this browser cannot read the file; then the station gets it as it is, and says what it is. */
  small?: Blob;
  /** For the form, before anything is sent. */
  preview?: string;
}

/** Pixels of the long side. */
const WHOLE = 2048;
const SMALL = 320;
/** Longest photo that the station takes, bytes. */
export const LONGEST = 4 * 1024 * 1024;

/** Width and height with the long side at most so long. Pure. */
export function fitted(width: number, height: number, longest: number): [number, number] {
  const share = Math.min(1, longest / Math.max(width, height, 1));
  return [Math.max(1, Math.round(width * share)), Math.max(1, Math.round(height * share))];
}

function drawn(bitmap: ImageBitmap, longest: number): HTMLCanvasElement {
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = fitted(bitmap.width, bitmap.height, longest);
  const context = canvas.getContext("2d");
  if (!context) throw new Error("no canvas");
  // What is transparent would be black in a JPEG.
  context.fillStyle = "#fff";
  context.fillRect(0, 0, canvas.width, canvas.height);
  context.imageSmoothingQuality = "high";
  context.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
  return canvas;
}

function jpeg(canvas: HTMLCanvasElement, quality: number): Promise<Blob> {
  return new Promise((done, failed) => canvas.toBlob((blob) => (blob ? done(blob) : failed(new Error("no picture"))), "image/jpeg", quality));
}

export async function shrunk(file: Blob): Promise<Shrunk> {
  try {
    const bitmap = await createImageBitmap(file, { imageOrientation: "from-image" });
    try {
      const small = drawn(bitmap, SMALL);
      return { whole: await jpeg(drawn(bitmap, WHOLE), 0.85), small: await jpeg(small, 0.75), preview: small.toDataURL("image/jpeg", 0.6) };
    } finally {
      bitmap.close();
    }
  } catch {
    return { whole: file };
  }
}

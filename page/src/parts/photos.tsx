// Photos to notes: taken or chosen, shown small beside their note, opened large, taken away by whoever sent them or an owner.

import { useEffect, useRef, useState } from "preact/hooks";
import { post, remove, said, sendFile } from "../api/client.ts";
import type { Note, Photo } from "../api/types.ts";
import { isOwner, mayAct, me } from "../session.ts";
import { words, written } from "../words.ts";
import { At } from "./at.tsx";
import { type Shrunk, shrunk } from "./shrink.ts";

const w = words.photos;

/** Photos that a note may have. */
const MOST = 12;

/** A photo that was chosen and not sent yet. */
export interface Picked extends Shrunk {
  key: number;
  name: string;
  caption: string;
}

let nextKey = 1;

interface PickProps {
  picked: Picked[];
  onPicked(picked: Picked[]): void;
}

/** Takes or chooses photos for a note that is being written. */
export function PickPhotos({ picked, onPicked }: PickProps) {
  const [isBusy, setBusy] = useState(false);
  const now = useRef(picked);
  now.current = picked;
  const take = async (input: HTMLInputElement) => {
    const files = [...(input.files ?? [])].slice(0, MOST - picked.length);
    input.value = "";
    setBusy(true);
    for (const file of files) {
      const one = { ...(await shrunk(file)), key: nextKey++, name: file.name, caption: "" };
      onPicked((now.current = [...now.current, one]));
    }
    setBusy(false);
  };
  const input = (label: string, isCamera: boolean) => (
    <label class={`button small file ${isCamera ? "camera" : ""}`}>
      {label}
      <input
        type="file"
        accept="image/jpeg,image/png,image/webp,image/*"
        multiple={!isCamera}
        {...(isCamera ? { capture: "environment" } : {})}
        onChange={(event) => void take(event.currentTarget)}
      />
    </label>
  );
  return (
    <div class="photos-pick">
      {picked.length > 0 && (
        <ul class="picked">
          {picked.map((one, i) => (
            <li key={one.key}>
              {one.preview ? <img src={one.preview} alt="" /> : <span class="no-preview">{one.name}</span>}
              <label class="field grow">
                <span>{w.caption(i + 1)}</span>
                <input
                  maxLength={200}
                  autocomplete="off"
                  value={one.caption}
                  onInput={(event) => onPicked(picked.map((other) => (other.key === one.key ? { ...one, caption: event.currentTarget.value } : other)))}
                />
              </label>
              <button type="button" class="small" aria-label={w.dropOf(i + 1)} onClick={() => onPicked(picked.filter((other) => other.key !== one.key))}>
                {w.drop}
              </button>
            </li>
          ))}
        </ul>
      )}
      {isBusy && <p class="pending">{w.shrinking}</p>}
      {picked.length < MOST && (
        <div class="row">
          {input(w.take, true)}
          {input(w.choose, false)}
        </div>
      )}
      {picked.length > 0 && <p class="note">{w.promise}</p>}
    </div>
  );
}

/** Writes a note with its photos. The note stands even where a photo did not go; which did not is said. */
export async function writeNote(note: { text: string; from_ms?: number }, picked: Picked[]): Promise<string[]> {
  const { id } = await post<Note>("notes", note.text === "" ? { ...note, text: w.only } : note);
  const problems: string[] = [];
  for (const one of picked) {
    try {
      const photo = await sendFile<Photo>("POST", `notes/${id}/photos?caption=${encodeURIComponent(one.caption.trim())}`, one.whole);
      if (one.small) await sendFile("PUT", `photos/${photo.id}/small`, one.small);
    } catch (error) {
      problems.push(w.notSent(one.name, said(error)));
    }
  }
  return problems;
}

const alt = (photo: Photo) => (photo.caption === "" ? w.noCaption(photo.who) : written(photo.caption));

interface ShownProps {
  photos: Photo[];
  /** What the note says, for who cannot see. */
  note: string;
  /** A photo was taken away. */
  onChanged(): void;
}

/** Photos of a note, small. */
export function Photos({ photos, note, onChanged }: ShownProps) {
  const [open, setOpen] = useState<number>();
  if (photos.length === 0) return null;
  return (
    <>
      <ul class="thumbs" aria-label={w.of(note)}>
        {photos.map((photo, i) => (
          <li key={photo.id}>
            <button type="button" onClick={() => setOpen(i)}>
              <img src={`/api/v1/photos/${photo.id}/small`} alt={alt(photo)} loading="lazy" />
            </button>
          </li>
        ))}
      </ul>
      {open !== undefined && <Large photos={photos} first={open} onClose={() => setOpen(undefined)} onChanged={onChanged} />}
    </>
  );
}

interface LargeProps {
  photos: Photo[];
  first: number;
  onClose(): void;
  onChanged(): void;
}

function Large({ photos, first, onClose, onChanged }: LargeProps) {
  const dialog = useRef<HTMLDialogElement>(null);
  const [n, setN] = useState(first);
  const [isAsking, setAsking] = useState(false);
  const [problem, setProblem] = useState("");
  useEffect(() => dialog.current?.showModal(), []);
  const photo = photos[Math.min(n, photos.length - 1)];
  if (!photo) return null;
  const go = (by: number) => {
    setAsking(false);
    setProblem("");
    setN((n + by + photos.length) % photos.length);
  };
  const takeAway = async () => {
    try {
      await remove(`photos/${photo.id}`);
      onClose();
      onChanged();
    } catch (error) {
      setProblem(said(error));
    }
  };
  const mayRemove = mayAct.value && (isOwner.value || photo.who === me.value?.name);
  return (
    <dialog
      ref={dialog}
      class="large"
      aria-label={alt(photo)}
      onClose={onClose}
      onKeyDown={(event) => {
        if (photos.length > 1 && event.key === "ArrowLeft") go(-1);
        if (photos.length > 1 && event.key === "ArrowRight") go(1);
      }}
    >
      <img src={`/api/v1/photos/${photo.id}`} alt={alt(photo)} width={photo.width} height={photo.height} />
      <p>
        {photo.caption !== "" && <b>{written(photo.caption)}</b>} <span class="note">{w.by(photo.who)}</span> <At ms={photo.at_ms} />
      </p>
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
      {isAsking && <p>{w.sure}</p>}
      <div class="row end">
        {photos.length > 1 && (
          <>
            <button type="button" onClick={() => go(-1)}>
              {w.before}
            </button>
            <button type="button" onClick={() => go(1)}>
              {w.next}
            </button>
          </>
        )}
        <a class="button" download href={`/api/v1/photos/${photo.id}`}>
          {w.save}
        </a>
        {mayRemove && (
          <button type="button" onClick={() => (isAsking ? void takeAway() : setAsking(true))}>
            {isAsking ? w.removeNow : w.remove}
          </button>
        )}
        <button type="button" class="main" onClick={onClose}>
          {words.close}
        </button>
      </div>
    </dialog>
  );
}

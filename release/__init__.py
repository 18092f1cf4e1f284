"""What a release needs beside the code: the wheel tried alone, licences of what it stands on."""
